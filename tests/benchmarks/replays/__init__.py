"""How many trials a method needs on published problems and on measured tables.

``problem`` defines the interface of all problems, ``functions`` holds the published test problems
and ``experiments`` the measured tables. ``task`` is one campaign in progress with its regret,
``shares`` turns a problem into a run log of this project, ``ours`` and ``methods`` are the planning
methods, ``campaigns`` runs them, and ``report`` writes the report. Run ``python -m
tests.benchmarks.replays``.
"""
