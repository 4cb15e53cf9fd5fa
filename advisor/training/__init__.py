"""Simulated boilers and visits, strategies, lessons and practice. The simulator knows nothing of the fitted response."""
