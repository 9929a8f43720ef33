"""Photographs in, numbers with error bars out."""
