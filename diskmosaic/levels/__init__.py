"""What makes tiles equally bright."""
