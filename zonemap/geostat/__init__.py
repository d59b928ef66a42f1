"""From points to surfaces: screening, variograms, likelihood, kriging, cross-validation.

Knows nothing of crops, zones or machines.
"""
