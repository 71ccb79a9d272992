"""Numerical functions: arrays in, figures out; no files, no tables, no flows."""
