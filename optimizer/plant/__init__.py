"""What the plant is and what it wants today.

In come the site file, the brief and options; out come a frozen ``Site`` and ``Brief``, settings on
a lattice, and the region of it that today's limits leave. What a user wrote is checked here, once.
"""
