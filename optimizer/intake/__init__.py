"""Log files to validated runs; what is rejected is kept, with the reason.

In come logs as text, workbooks and Parquet, packed or not, or rows in memory. ``reading`` makes
columns of them, ``checking`` makes runs or rejects of the columns, ``settling`` adds what is new to
the history. Out comes a report that accounts for every row. ``load`` holds the entry functions.
"""
