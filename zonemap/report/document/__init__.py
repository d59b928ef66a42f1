"""What a printed or written report says, as sections of plain values: paragraphs, tables and pictures.

The sheet and the page set the same sections, each in its own way.
"""
