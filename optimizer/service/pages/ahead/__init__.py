"""Pages that look at a line before a decision: pictures, and what to expect at any settings."""
