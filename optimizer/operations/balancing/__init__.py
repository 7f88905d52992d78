"""The command ``balance``: how much to sample, a sheet to fill in, and streams to a run log."""
