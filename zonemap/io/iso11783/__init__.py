"""Task data for a task controller, ISO 11783-10: what stands in it, written, read back and checked.

Only own files are read here: XML from anybody else is never opened.
"""
