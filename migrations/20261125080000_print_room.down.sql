drop table alert, device_alert, media_input, marker_day, marker, outlook, ledger_day, install, reading, slot,
    poll_span, device, credential, site;
