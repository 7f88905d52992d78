"""Whether plans are as sure as they say they are: what is said at the settings to run now.

``plans`` measures one plan of one history, ``wrong`` a pair of plans with and without wrong
readings, ``repeats`` the interval of a set-point that was run eight times; ``tables`` makes the
tables of all three. Run ``python -m tests.benchmarks.certainty``.
"""
