"""Signals made to order: standard calls, messages and test tones, with chosen faults. Nothing is ever transmitted."""
