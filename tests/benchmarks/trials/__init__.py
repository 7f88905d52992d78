"""How many trials a method needs: closed loop on simulated decks, same starts, same noise.

``decks`` makes the problems, ``outsider`` a family of decks under a law of its own, ``task`` is
one campaign in progress and how it is judged, ``methods`` who may plan it, ``campaigns`` runs
them and keeps what was run, ``report`` writes it down. ``python -m tests.benchmarks.trials``.
"""
