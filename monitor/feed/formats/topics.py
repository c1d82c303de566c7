"""Topic patterns with names in braces: what to subscribe to, and what a topic says."""

from __future__ import annotations

import re

from monitor.errors import SettingsError

_NAME = re.compile(r"\{(\w+)\}")


class TopicPattern:
    """A pattern such as ``sensors/{box}/state``; each name stands for one whole level."""

    def __init__(self, pattern: str) -> None:
        levels = pattern.split("/")
        for level in levels:
            if not _NAME.fullmatch(level) and set(level) & set("{}+#"):
                raise SettingsError(
                    f"topic '{pattern}': '{level}' is not valid; a level is plain text or one name in braces"
                )
        self.pattern = pattern
        self.subscription = "/".join("+" if _NAME.fullmatch(level) else level for level in levels)
        self._regex = re.compile(
            "/".join(f"(?P<{level[1:-1]}>[^/]+)" if _NAME.fullmatch(level) else re.escape(level) for level in levels)
        )

    def names(self, topic: str) -> dict[str, str] | None:
        """Return what stands in place of each name, or None where the topic is another one."""
        found = self._regex.fullmatch(topic)
        return None if found is None else found.groupdict()
