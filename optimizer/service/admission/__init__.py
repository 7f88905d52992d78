"""Access control: who may send a request, and the limits that every request is checked against
first."""
