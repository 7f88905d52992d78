"""Who may send a request, and what every request must keep to before anything else sees it."""
