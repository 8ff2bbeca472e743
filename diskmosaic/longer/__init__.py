"""A second, longer-exposed set of tiles."""
