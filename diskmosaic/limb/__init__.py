"""The limb: where it is, and its circle."""
