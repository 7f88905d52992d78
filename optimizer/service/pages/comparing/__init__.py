"""Pages of the lines: their comparison, and the diagnosis of each."""
