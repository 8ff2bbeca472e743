"""What a flat leaves behind, and how it is found and taken out."""
