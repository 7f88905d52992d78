"""The runs of all lines and what became of them.

In come batches of checked runs, appended in whole commits; out come runs at any version, their
summary, exports, and word of damage. The schema and the identity of a run are defined here.
"""
