"""What an inspection found: the one result on which scripts, the window and reports all stand."""
