"""Where ships talk: the channel plans, as data with their source."""
