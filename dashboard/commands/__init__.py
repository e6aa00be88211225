"""The commands of `ovenbook`, one topic a file.

Each file has `add_to(app)`; dashboard/cli.py calls them in the order help shows them in.
Heavy imports (pandas, duckdb, the reader) stand inside the functions: help and a single import start fast that way.
"""
