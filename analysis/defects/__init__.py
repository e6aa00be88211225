"""Solder defects: counted with their denominators, linked to runs with the strength of the evidence.

The run is the unit of evidence: joints in one run share everything. A run that was not inspected says nothing and is in
no denominator; a run that was inspected and clean counts.
"""
