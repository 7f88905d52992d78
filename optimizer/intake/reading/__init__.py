"""Files to columns: encodings, delimiters, workbooks, Parquet, headings, numbers.

In come files of any kind that the intake accepts; out come named columns with their units and row
numbers. Nothing here knows what a run is.
"""
