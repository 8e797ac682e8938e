"""Figures of the store that a monitor may ask for every few seconds: small tables only."""

from __future__ import annotations

from sqlalchemy import Connection, func, select

from ingest.domain.alerts import AlertState
from ingest.store.intake_schema import held_back
from ingest.store.schema import alert, dead_letter, lost_reports, security_event
from ingest.store.sweeping import SILENT


def figures(connection: Connection) -> dict[str, int]:
    """Alerts standing, gateways silent, dead letters waiting, gaps and security events."""
    standing = alert.c.state != AlertState.CLOSED
    queries = {
        "alerts_standing": select(func.count()).select_from(alert).where(standing),
        "gateways_silent": select(func.count())
        .select_from(alert)
        .where(alert.c.kind == SILENT, alert.c.ended_at.is_(None)),
        "dead_letters_waiting": select(func.count())
        .select_from(dead_letter)
        .where(dead_letter.c.replayed_at.is_(None)),
        "gaps_of_lost_reports": select(func.count()).select_from(lost_reports),
        "messages_held_back": select(func.count()).select_from(held_back),
        "security_events": select(func.count()).select_from(security_event),
    }
    return {name: int(connection.execute(query).scalar_one()) for name, query in queries.items()}
