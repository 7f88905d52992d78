"""The guide: one page for each task, in Markdown, beside the code that prints them."""
