"""The rules that judge a tube, a run and a result, each stated once with its source."""
