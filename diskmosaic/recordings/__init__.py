"""Camera files as lazy frames."""
