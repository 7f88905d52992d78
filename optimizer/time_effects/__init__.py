"""What changes with time beyond settings and material: days, lots, a slow component, events.

In come what the readings say of each occasion and when the runs were; out come the effect of time
on each run and on the moment that is asked about, with what stays unknown of it.
"""
