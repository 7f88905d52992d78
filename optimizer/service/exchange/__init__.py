"""What every room of the service goes by: its configuration, strict queries, refusals, counters."""
