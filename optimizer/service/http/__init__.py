"""Requests over HTTP: the API, the pages in the browser, and the server process."""
