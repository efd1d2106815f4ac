"""The desktop window. It listens to the engine's events and draws; it never measures, tunes or transmits."""
