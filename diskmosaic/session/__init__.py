"""What a folder holds, and what a person says of it."""
