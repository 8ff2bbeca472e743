"""A session at work, step by step."""
