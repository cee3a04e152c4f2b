"""Acceptance: a plan run step by step, and the record that someone else can read.

Plans that ship stand beside this file and are opened by name.
"""
