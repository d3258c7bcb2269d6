"""Names of everything the service logs; an operator may count or alarm on them.

Constant, snake_case, past tense. Whatever varies is a key of the event, with its unit in the
key's name. The log may be lost; what must not be lost is in the journal.
"""

SERVICE_STARTED = "service_started"
SERVICE_STOPPED = "service_stopped"
SERVICE_FAILED = "service_failed"
CONFIGURATION_RELOADED = "configuration_reloaded"
CONFIGURATION_REFUSED = "configuration_refused"
CAPTURE_STORED = "capture_stored"
CAPTURE_CLOSED = "capture_closed"
CAPTURE_FAILED = "capture_failed"
CAPTURE_OVERSIZE = "capture_oversize"
CAPTURE_SET_ASIDE = "capture_set_aside"
PLAN_LOADED = "plan_loaded"
PLAN_REFUSED = "plan_refused"
LEDGER_FULL = "ledger_full"
LEDGER_HAD_ROOM = "ledger_had_room"
LEDGER_WAITED = "ledger_waited"
CHECKPOINT_WRITTEN = "checkpoint_written"
CHECKPOINT_REFUSED = "checkpoint_refused"
CAPTURE_READ_SO_FAR = "capture_read_so_far"
DELIVERY_WENT_ON = "delivery_went_on"
DELIVERY_DEFERRED = "delivery_deferred"
DELIVERY_REFUSED = "delivery_refused"
DELIVERY_SET_ASIDE = "delivery_set_aside"
BATCH_DELIVERED = "batch_delivered"
