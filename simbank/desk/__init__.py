"""The desk: a live page on this machine, in which a bank is built, changed and looked at."""
