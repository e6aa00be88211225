"""What holds for every test."""

import signal

# A run started in the background inherits an ignored Ctrl-C, and so would the programs that these tests stop with it.
signal.signal(signal.SIGINT, signal.default_int_handler)
