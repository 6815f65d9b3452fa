"""What every face of the program must say about its limits."""

from __future__ import annotations

from typing import Final

CAUTIONS: Final = (
    "Decision support, not a diagnosis: treating an animal is the veterinarian's decision.",
    "Work on vacuum, arms and hoses is for a licensed technician, with the platform stopped and locked out.",
    "Local dairy and safety codes rule over anything shown here.",
)
SIMULATED: Final = "Simulated parlor: figures show how the program works, not how it does on a farm."
