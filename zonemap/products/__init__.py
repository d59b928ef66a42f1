"""From needs to products: the product table and its cautions, which product meets what, when, and at what cost.

Knows nothing of maps: needs arrive by zone, rates leave by zone.
"""
