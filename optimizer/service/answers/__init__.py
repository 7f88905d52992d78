"""What the service answers from the history, made once for each of its versions and kept."""
