//! Shots on disk: Parquet captures, screened records and imports
