"""The command line: a thin skin. One file a command; it opens, calls and prints."""
