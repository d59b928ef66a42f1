"""Sampled supply rates to kriged surfaces, zones and a loadable variable-rate prescription."""

__version__ = "0.1.0"
