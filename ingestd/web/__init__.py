"""The live page and the JSON API: a process of its own that reads the ledger and lets people act.

It changes the ledger through the very functions that the commands use.
"""
