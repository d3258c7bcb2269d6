"""Bench sheets, plan files and observations: text in, checked values or all faults out.

Every function here is a pure function of the bytes or text it is given. What can be checked
without the ledger is checked here; whatever needs judgement (a lot past its date, a run that
lacks its blank) is left to evaluation, which holds a result and loses no plan.
"""
