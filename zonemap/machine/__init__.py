"""What the spreader can do: limits, steps, delivery.

Knows nothing of soil or crops.
"""
