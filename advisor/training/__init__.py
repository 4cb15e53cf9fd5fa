"""Made-up boilers, visits to them, lessons and practice. The simulator knows nothing of the fitted response."""
