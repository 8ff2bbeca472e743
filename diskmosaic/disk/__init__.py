"""The finished disk."""
