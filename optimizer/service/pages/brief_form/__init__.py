"""The brief as a form: its fields, how they are read, and what was assumed for empty ones."""
