"""The commands as functions of the library: each does what its command does, returning a record."""
