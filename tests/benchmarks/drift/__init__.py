"""Decks that drift, days and lots that differ: plans and campaigns with and without time."""
