"""Files in and out, one module a format. Units are converted here and nowhere below.

What users hand in is read with an allow-list; what is written is read back.
"""
