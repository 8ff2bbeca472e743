"""Numpy in, numpy out: no files, no logging, no settings objects."""
