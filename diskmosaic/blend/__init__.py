"""Tiles on one canvas."""
