"""The commands as public functions: one call does what the command does, and returns a record."""
