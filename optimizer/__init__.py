"""highside: learns from a deck's own runs which settings to try next."""
