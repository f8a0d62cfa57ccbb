"""Checks on readings: flags, gaps, latest."""
