"""A simulated shop for ``tackfree demo`` and for tests: weather, booth, nodes, and a few weeks of past work.

Everything that comes from here is invented, though by physics rather than by dice: heat, water and solvent
are balanced, so that what the screens show hangs together the way a real booth does.

::

    weather     outdoor and shop air as a function of time and seed
    booth       one small booth stepped through time, with its balances
    schedule    what happens in it: coats, wash-downs, purges
    sensors     from the true state to what a node would measure
    nodes       nodes that publish it over real MQTT and keep it until it is stored
    history     weeks of past readings, pieces and coats, written into the stores
"""
