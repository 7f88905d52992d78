"""The formats that a log may have: delimited text, Parquet and workbooks, packed or not."""
