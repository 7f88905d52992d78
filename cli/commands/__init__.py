"""The commands, one module each: it parses options, calls a function of the library and prints."""
