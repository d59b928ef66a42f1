"""From surfaces to zones: features, clusters, workable zones, outlines.

Knows nothing of crops or machines.
"""
