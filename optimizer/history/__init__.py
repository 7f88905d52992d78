"""The run history: what was loaded, version by version.

In come batches of checked runs, each batch appended in one commit. Out comes a snapshot of any
version, with its runs, summary and exports, and a report of damaged files. The columns of a run
and the identity of a run are defined here.
"""
