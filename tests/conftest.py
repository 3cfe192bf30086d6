"""What holds for every test."""

import signal

# Where the tests run in the background of a script, interrupts come ignored, and every program a
# test starts would ignore them too: the tests of interrupts would wait for an end that never comes.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
