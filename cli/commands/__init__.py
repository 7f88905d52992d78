"""One module a command: parse, call one function of the library, print."""
