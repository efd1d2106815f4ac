"""The checks aboard, one file a kind of equipment. What each says comes from survey practice and is marked."""
