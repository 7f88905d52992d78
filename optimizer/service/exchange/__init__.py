"""What all rooms of the service share: configuration, strict queries, refusals and counters."""
