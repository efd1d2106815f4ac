"""How a report becomes a file."""
