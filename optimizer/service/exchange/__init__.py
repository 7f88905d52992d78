"""Modules that the whole service uses: configuration, strict queries, error answers and
counters."""
