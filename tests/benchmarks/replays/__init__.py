"""How many trials a method needs on published problems and on other people's measurements.

``problem`` is what a method may ask of either, ``functions`` the published test problems,
``experiments`` the measured tables, ``task`` one campaign in progress and how it is judged,
``shares`` how a problem becomes a run log of this project, ``ours`` and ``methods`` who may plan,
``campaigns`` runs them, ``report`` writes it down. ``python -m tests.benchmarks.replays``.
"""
