"""Arithmetic for whoever lays the cable: bias, termination, lengths, stubs, divider, hose, duty.

Each calculation says its formula, what went into it, where it comes from and how sure that source
is. `calculations` lists them; `worked` holds what they have in common.
"""
