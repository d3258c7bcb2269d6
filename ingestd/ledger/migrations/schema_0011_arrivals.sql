-- Arrivals of the last day are counted without fetching every capture.
CREATE INDEX captures_by_arrival ON captures (source, arrived_at);
