"""Captures made smaller, put together, made nameless, made into tables.

Records in, records out; a capture that comes out is as raw as what went in. What is written here is
a new file, always.
"""
