"""The commands of `ovenbook`, one topic a file.

Each file has `add_to(app)`; loading.py says which command is where and in which order help shows them.
Heavy imports (pandas, duckdb, the reader) stand inside the functions: help and a single import start fast that way.
"""
