"""The order of stages, and the choice of method for each as declarative TOML.

Everything that needs two rooms at once (surfaces and zones, needs and rates) meets here.
"""
