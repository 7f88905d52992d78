"""Planning: from a brief and the runs of a line to a plan.

In comes the evidence of a line; out comes a frozen ``Plan``: ranked next trials inside the limits,
the settings to run now, and whether more trials are worth it.
"""
