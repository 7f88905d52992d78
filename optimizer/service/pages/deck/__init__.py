"""Pages for the shift: today's brief and plan, issued batches, results."""
