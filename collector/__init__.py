"""The part of tackfree that does the work, from a sensor's message to a reasoned answer.

::

    cli, service, demo                what a person starts
      advice                          judgements: physics + records + readings
        physics    records            pure functions | pieces, coats, materials
        ingest ->  readings           MQTT -> time series
                   wire               SenML packs and topics

Imports run downwards only. ``physics`` and ``wire`` import nothing of ours.
"""

__version__ = "0.1.0"
