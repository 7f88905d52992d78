"""Text that people write and read: figures, headings, KEY=VALUE, what may be printed or opened."""
