"""Requests over HTTP: the API, the page in the browser, and the server that answers them."""
