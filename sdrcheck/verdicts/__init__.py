"""Holding a measured value against a limit."""
