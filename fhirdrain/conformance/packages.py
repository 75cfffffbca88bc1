from dataclasses import dataclass, field
from typing import Any


@dataclass
class G:
    definitions: list[Any] = field(default_factory=list)
    instances: dict[str, Any] = field(default_factory=dict)
    issues: list[Any] = field(default_factory=list)


def supplied(paths: Any) -> G:
    return G()
