"""How many trials a method needs on simulated decks, with equal starts and noise.

``decks`` makes the problems, ``outsider`` a family of decks with an independent law, ``task`` is
one campaign in progress with its gaps, ``methods`` are the planning methods, ``campaigns`` runs and
keeps campaigns, and ``report`` writes the report. Run ``python -m tests.benchmarks.trials``.
"""
