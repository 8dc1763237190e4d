"""A simulated shop for ``tackfree demo`` and for tests: weather, booth, nodes, and a few weeks of past work.

Everything that comes from here is invented, though by physics rather than by dice: heat, water and solvent
are balanced, so that what the screens show hangs together the way a real booth does.

::

    weather     outdoor and shop air as a function of time and seed
    booth       one small booth stepped through time, with its balances
    schedule    what is done in it: coats, a wet floor, a new filter
    sensors     from the true state to what a node would measure
    simulation  those four together
    pieces      the invented pieces and their coats
    plan        the same set in time, and so the schedule
    history     weeks of readings, pieces and coats, written into the stores
    outbox      what a node holds until it is stored
    nodes       nodes that publish it over real MQTT
    live        booth and nodes in real time
"""
