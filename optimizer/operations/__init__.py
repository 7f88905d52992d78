"""What the commands do, as public functions that also the service calls."""
