"""The HTTP interface for programs, and the OpenAPI document that describes it."""
