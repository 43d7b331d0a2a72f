"""Stand-ins: an axis that is physics inside and answers the interfaces of `stepwitness.devices` outside.

May import `stepwitness.devices` and `stepwitness.axis`; nothing that judges an axis imports this room.
"""
