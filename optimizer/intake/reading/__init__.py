"""What stands in an opened log: headings and their units, cells and the numbers in them.

The formats of files build on it; nothing here knows a format, or what a run is.
"""
