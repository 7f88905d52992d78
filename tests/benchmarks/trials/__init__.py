"""How many trials a method needs on simulated decks, with equal starts and noise.

``decks`` makes the problems, ``outsider`` is a family of decks with its own formulas,
``other_laws`` are families for development that share nothing with what the model believes,
``judge_laws`` are families of yet other laws for judging alone,
``task`` is one campaign in progress with its gaps, ``methods`` are the planning methods,
``campaigns`` runs and keeps campaigns, and ``report`` writes the report. Run
``python -m tests.benchmarks.trials``.
"""
