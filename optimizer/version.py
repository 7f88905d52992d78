"""The version of the product, for packaging, pages and answers."""

__version__ = "0.1.0"
