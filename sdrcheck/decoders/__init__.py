"""From filtered samples to calls and messages, down to the symbol."""
