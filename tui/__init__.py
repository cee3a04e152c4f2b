"""Everything that a person sees in a terminal."""
