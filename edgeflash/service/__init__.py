"""What the process needs of its surroundings: clock, logs, service manager."""

from edgeflash.service.clock import SYSTEM_CLOCK, Clock, SystemClock
from edgeflash.service.systemd import ServiceManager

__all__ = ["SYSTEM_CLOCK", "Clock", "ServiceManager", "SystemClock"]
