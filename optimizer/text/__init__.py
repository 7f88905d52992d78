"""Text that people write and read: figures, headings, KEY=VALUE entries, printable text."""
