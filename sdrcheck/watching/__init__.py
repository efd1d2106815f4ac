"""Live work around the engine: a rolling memory, the unattended watch, the loudspeaker, a recording served as a dongle."""
