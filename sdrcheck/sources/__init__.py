"""Where IQ comes from: every source speaks one small protocol."""
