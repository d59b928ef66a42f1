"""What people look at: figures, the text on the terminal, the summary.

Units are converted here; nothing is decided here.
"""
