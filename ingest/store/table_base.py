"""What every table of the store is made with."""

from __future__ import annotations

from sqlalchemy import BigInteger, Integer, MetaData

metadata = MetaData()

# SQLite numbers rows by itself only in a column that is exactly INTEGER.
Surrogate = BigInteger().with_variant(Integer(), "sqlite")
Millis = BigInteger
