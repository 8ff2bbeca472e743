"""What published laws say of the Sun and the air."""
