"""Simulated boilers and visits, strategies, lessons, practice. The simulator knows nothing of the fitted response."""
