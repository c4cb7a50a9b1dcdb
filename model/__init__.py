"""Photo to answer."""
