"""The files of a history and their log: a Delta table whose commits add runs and tell events."""
