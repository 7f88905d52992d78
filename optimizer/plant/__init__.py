"""The description of the plant and the brief of today.

In come the site file, the brief and options; out come a frozen ``Site`` and ``Brief``, settings on
a lattice, and the region of the lattice that today's limits allow. User input is checked here, and
nowhere else.
"""
