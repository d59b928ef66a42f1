"""From supply to rate: crops, demand, shortfall, rules, the rate that pays, products.

Knows nothing of kriging or machines.
"""
