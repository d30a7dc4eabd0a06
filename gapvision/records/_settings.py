"""The shop's own head for its documents, and other settings."""

from __future__ import annotations

import base64

from gapvision.errors import GapvisionError
from gapvision.records._bin import BinPart
from gapvision.records._jobs import short_text
from gapvision.records.types import Shop

MAX_LOGO_BYTES = 2_000_000
_LOGO_STARTS = (b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff")


class SettingsPart(BinPart):
    """Settings that belong to the shop, not to a job."""

    def shop(self) -> Shop:
        """Return the shop's head; empty before it was set."""
        found = {r["key"]: r["value"] for r in self.database.rows("SELECT key, value FROM settings")}
        logo = found.get("shop.logo", "")
        return Shop(
            name=found.get("shop.name", ""),
            address=found.get("shop.address", ""),
            contact=found.get("shop.contact", ""),
            logo=base64.b64decode(logo) if logo else None,
            paper=found.get("shop.paper", "a4"),
            units=found.get("shop.units", "mm"),
        )

    def set_shop(
        self,
        *,
        name: str | None = None,
        address: str | None = None,
        contact: str | None = None,
        logo: bytes | None = None,
        paper: str | None = None,
        units: str | None = None,
    ) -> Shop:
        """Change what is given; an empty logo takes it away.

        Parameters
        ----------
        logo : bytes, optional
            A PNG or JPEG file of at most 2 MB.
        paper : str, optional
            ``a4`` or ``letter``.
        units : str, optional
            ``mm`` or ``inch``: which one stands first in reports.

        Raises
        ------
        GapvisionError
            ``shop-setting-bad``.
        """
        new: dict[str, str] = {}
        for key, text in (("name", name), ("address", address), ("contact", contact)):
            if text is not None:
                new[f"shop.{key}"] = short_text(f"shop's {key}", text, most=500)
        if logo is not None:
            if logo and (len(logo) > MAX_LOGO_BYTES or not logo.startswith(_LOGO_STARTS)):
                raise GapvisionError("shop-setting-bad", "The logo is not a PNG or JPEG of at most 2 MB.")
            new["shop.logo"] = base64.b64encode(logo).decode()
        for key, value, allowed in (("paper", paper, ("a4", "letter")), ("units", units, ("mm", "inch"))):
            if value is not None:
                if value not in allowed:
                    raise GapvisionError("shop-setting-bad", f"'{value}' is not one of {' or '.join(allowed)}.")
                new[f"shop.{key}"] = value
        with self.database.saving() as db:
            db.executemany(
                "INSERT INTO settings (key, value) VALUES (?, ?)"
                " ON CONFLICT (key) DO UPDATE SET value = excluded.value",
                new.items(),
            )
        return self.shop()
