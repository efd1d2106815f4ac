"""Pure functions: filtered samples in, values with named uncertainties out. No files, no clock, no verdicts."""
