"""Reads the content of an opened log: headings and their units, cells and the numbers in them.

The modules of file formats use this package, which itself depends on no format and does not know
what a run is.
"""
