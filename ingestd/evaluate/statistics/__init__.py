"""Published procedures in exact arithmetic: lines, limits, spread, outliers, charts."""
