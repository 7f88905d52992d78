"""The pages about the history: its runs, one run, changes, versions and rejected rows."""
