"""From an arrival to a judged result: store, parse, identify, place, gather, judge, record."""
