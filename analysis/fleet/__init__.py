"""Evaluation and drift over a published data set, shared among processes or machines.

A step is a few months of one oven: whole runs, nothing to shuffle. Each run is compared with the comparable runs of its
oven before it, so the months of an oven are a chain, in which each step hands on what was usual; ovens are independent.
Steps read and write the data set themselves and are pure otherwise: whichever process does one, and however often, the
same files come out. The arithmetic is that of the archive: `analysis.evaluate`, `analysis.store`.
"""
