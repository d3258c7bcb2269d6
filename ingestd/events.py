"""Names of everything that is logged; an operator may count or alarm on them.

Constant, snake_case, past tense. Whatever varies is a key of the event, with its unit in the
key's name. The log may be lost; what must not be lost is in the journal. Levels: info is a
normal event, warning means that someone may have to act, error that someone must.
"""

# The service.
SERVICE_STARTED = "service_started"
SERVICE_STOPPED = "service_stopped"
SERVICE_FAILED = "service_failed"
WRITER_STUCK = "writer_stuck"
WRITER_WENT_ON = "writer_went_on"
SOURCE_LEFT_HANGING = "source_left_hanging"
CONFIGURATION_RELOADED = "configuration_reloaded"
CONFIGURATION_REFUSED = "configuration_refused"
METRICS_SERVED = "metrics_served"
EVENTS_SUMMARISED = "events_summarised"

# Ledger and journal.
LEDGER_FULL = "ledger_full"
LEDGER_HAD_ROOM = "ledger_had_room"
CHECKPOINT_WRITTEN = "checkpoint_written"
CHECKPOINT_REFUSED = "checkpoint_refused"

# Captures: one of closed, failed, set aside, read so far ends each reading of one.
CAPTURE_STORED = "capture_stored"
CAPTURE_CLOSED = "capture_closed"
CAPTURE_READ_SO_FAR = "capture_read_so_far"
CAPTURE_FAILED = "capture_failed"
CAPTURE_SET_ASIDE = "capture_set_aside"
PLAN_LOADED = "plan_loaded"
PLAN_REFUSED = "plan_refused"

# Watched folders.
FOLDER_WATCHED = "folder_watched"
FOLDER_LOST = "folder_lost"
FOLDER_SCAN_BROKEN = "folder_scan_broken"
FOLDER_EVENTS_REFUSED = "folder_events_refused"
FOLDER_EVENTS_DROPPED = "folder_events_dropped"
FILE_PASSED_OVER = "file_passed_over"
FILE_VANISHED = "file_vanished"
ARRIVAL_REFUSED = "arrival_refused"
ARRIVAL_TAKEN_AFTER_ALL = "arrival_taken_after_all"

# Serial lines.
LINE_OPENED = "line_opened"
LINE_LOST = "line_lost"
LINE_REFUSED = "line_refused"
LINE_QUIET = "line_quiet"
LINE_BACKLOG_FILLED = "line_backlog_filled"
LINE_BROKEN = "line_broken"
LINE_LEDGER_WAITED = "line_ledger_waited"
LINE_LEDGER_TOOK = "line_ledger_took"
LINE_BYTES_ABANDONED = "line_bytes_abandoned"
LINE_REFUSALS_ENDED = "line_refusals_ended"

# Delivery.
DELIVERY_WENT_ON = "delivery_went_on"
DELIVERY_DEFERRED = "delivery_deferred"
DELIVERY_REFUSED = "delivery_refused"
DELIVERY_SET_ASIDE = "delivery_set_aside"
BATCH_DELIVERED = "batch_delivered"

# Notices.
NOTICE_SENT = "notice_sent"
NOTICE_DEFERRED = "notice_deferred"
NOTICE_UNCERTAIN = "notice_uncertain"
UNIT_FAILED = "unit_failed"

# The page.
PAGE_STARTED = "page_started"
PAGE_LISTENING = "page_listening"
PAGE_STOPPED = "page_stopped"
PAGE_FAILED = "page_failed"
ACCESS_REFUSED = "access_refused"
REQUEST_REFUSED = "request_refused"
REQUEST_FAILED = "request_failed"
SIGNED_IN = "signed_in"
SIGN_IN_REFUSED = "sign_in_refused"
SIGNED_OUT = "signed_out"
DECIDED = "decided_on_page"
