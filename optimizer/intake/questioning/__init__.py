"""What is possible but hard to believe: such rows are stored, and the report asks about them.

In come runs that passed all checks, and the runs of the history; out come questions, each with the
place, the field, the value, and why it is doubted. A question never decides what is stored.
"""
