"""Putting a controller on trial: a supply that goes wrong on purpose, a witness, and judges."""
