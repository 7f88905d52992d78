"""The endpoints for programs, described by OpenAPI."""
