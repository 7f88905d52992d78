"""From log files to checked runs; rejected rows are kept with the reason.

In come logs as text, workbooks and Parquet, packed or not, or rows in memory. ``formats`` opens
them, ``reading`` finds headings, fields and numbers in them, ``checking`` makes runs or rejects of
the columns, ``settling`` adds the new runs to the history and has the entry functions
(``settling/load.py``). Out comes a report that accounts for every row.
"""
