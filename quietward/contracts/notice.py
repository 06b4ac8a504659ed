"""The notice that every screen, report and command must carry."""

NOTICE = (
    "Not for diagnosis. quietward is a prototype for simulated or replayed signals. It recommends no treatment; "
    "local policy and licensed clinicians decide."
)
