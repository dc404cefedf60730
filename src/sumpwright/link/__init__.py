"""Where temperatures come from: CAN, adapters, thermometers, recorded logs, by hand.

`sumpwright.link.sources` builds, finds and tries sources; `sumpwright.link.watch` keeps
the newest reading of one and says how old it is. Nothing here can write to a vehicle:
see `sumpwright.link.guard`.
"""
