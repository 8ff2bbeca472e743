"""Dark and flat."""
