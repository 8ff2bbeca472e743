"""Bytes of camera files and products: readers and atomic writers, no science."""
