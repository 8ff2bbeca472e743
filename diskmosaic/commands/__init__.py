"""The commands, one subject a file: each parses, calls, and tells what came of it."""
