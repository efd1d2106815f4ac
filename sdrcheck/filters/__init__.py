"""From bytes to the filtered samples of one transmission: what measurements and decoders both need."""
