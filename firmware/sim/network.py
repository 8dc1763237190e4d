"""The ``network`` module of a board: one station interface and the access point of ``simbus``.

The sockets are the computer's own, so a node that is not joined must hold itself back, as this checks nothing.
"""

import time

import simbus
from node import pace

STA_IF, AP_IF = 0, 1
STAT_IDLE, STAT_CONNECTING, STAT_GOT_IP = 1000, 1001, 1010
STAT_NO_AP_FOUND, STAT_WRONG_PASSWORD = 201, 202


class WLAN:
    PM_NONE, PM_PERFORMANCE, PM_POWERSAVE = 0, 1, 2
    _shared = {"active": False, "asked": None, "password": None}

    def __init__(self, interface=STA_IF):
        self._state = WLAN._shared

    def active(self, wanted=None):
        if wanted is None:
            return self._state["active"]
        self._state["active"] = bool(wanted)
        if not wanted:
            self._state["asked"] = None
        return self._state["active"]

    def connect(self, ssid=None, key=None):
        if not self._state["active"]:
            raise OSError("interface is not active")
        self._state["asked"] = pace.ticks_ms()
        self._state["password"] = key

    def disconnect(self):
        self._state["asked"] = None

    def isconnected(self):
        return self.status() == STAT_GOT_IP

    def status(self, parameter=None):
        point = simbus.access_point
        if parameter == "rssi":
            return -60
        if self._state["asked"] is None:
            return STAT_IDLE
        if not point.present:
            return STAT_NO_AP_FOUND
        if point.password is not None and point.password != self._state["password"]:
            return STAT_WRONG_PASSWORD
        joining = time.ticks_diff(pace.ticks_ms(), self._state["asked"]) < point.join_ms
        return STAT_CONNECTING if joining else STAT_GOT_IP

    def ifconfig(self, addresses=None):
        return ("127.0.0.1", "255.0.0.0", "127.0.0.1", "127.0.0.1")

    def config(self, *names, **values):
        if names == ("mac",):
            return b"\x02\x00\x00\x00\x00\x01"


def hostname(name=None):
    return name


def country(code=None):
    return code
