"""Readings and settings of one machine on one day, read from a bench folder."""
