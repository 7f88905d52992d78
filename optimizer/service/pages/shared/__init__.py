"""What the pages share: rendering, forms, waiting."""
