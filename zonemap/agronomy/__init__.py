"""From supply to rate: crops, demand, shortfall, rules, the rate that pays.

Knows nothing of kriging or machines.
"""
