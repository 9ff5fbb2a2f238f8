"""What happens, in plain words, the newest on top."""

from __future__ import annotations

from collections.abc import Sequence

from textual.strip import Strip

from replank.dashboard.model import News
from replank.dashboard.paint import Panel, Row, fit, wrap

_SIGNS = {"warn": "! ", "error": "‼ "}


class Newsfeed(Panel):
    """The feed; new lines stand out until they are four seconds old."""

    def key(self) -> tuple[object, ...]:
        """Return what the picture depends on."""
        m = self.watch_app.model
        fresh = sum(1 for news in list(m.news)[-8:] if self._is_fresh(news))
        return (m.news_version, fresh)

    def _is_fresh(self, news: News) -> bool:
        return self.watch_app.model.clock() - news.at < 4.0

    def draw(self, width: int, height: int) -> Sequence[Strip]:
        """Return the newest lines that fit."""
        ink, rows = self.watch_app.ink, []
        for news in reversed(list(self.watch_app.model.news)[-height:]):
            fresh = self._is_fresh(news)
            style = ink.level(news.level) if news.level in _SIGNS else (ink.strong if fresh else ink.faint)
            times = f"  ×{news.times}" if news.times > 1 else ""
            text = _SIGNS.get(news.level, "") + news.text + times
            for at, part in enumerate(wrap(text, width - 3)):
                sign = "  " if at else "▸" if fresh else " "
                rows.append(Row().add(sign, ink.hand).add(fit(part, width - 2), style).strip(width))
            if len(rows) >= height:
                break
        if not rows:
            rows.append(Row().add(" Nothing has happened yet.", ink.faint).strip(width))
        return rows
