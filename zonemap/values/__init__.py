"""Frozen values: what the stages hand to one another.

They hold metric quantities, are checked once on construction and are then trusted. No files, no screen.
"""
