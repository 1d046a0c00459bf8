"""How far off each register is, how fast it moves and since when: one state-space model per coupling group."""
