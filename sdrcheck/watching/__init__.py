"""Live work around the engine: rolling memory, unattended watch, loudspeaker, a recording served as a dongle."""
