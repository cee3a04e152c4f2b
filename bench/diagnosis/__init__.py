"""From a capture to what is wrong with the link: observations, a table of causes, probabilities.

The way of a capture: `pieces` (decoded, with all that is known of each character), `expected` and
`pattern` (what was due, and how it was hurt), `episodes` (the line as exchanges), `scene` (all that
questions need), ``see*`` (the questions), `evidence` (how strongly counts answer them), `causes`
(the table), `inference` (probabilities), `explaining` (the answer).
"""
