"""The simulated supply, its server and the ways to expose it."""
