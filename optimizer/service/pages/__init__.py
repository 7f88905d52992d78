"""The pages for people in a browser."""
