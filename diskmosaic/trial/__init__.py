"""A flat tried against the recordings that it would serve."""
