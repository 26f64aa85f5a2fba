//! Sealed runs to one PostgreSQL database.
