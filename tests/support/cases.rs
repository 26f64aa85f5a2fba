//! How many cases a property runs.

use proptest::prelude::ProptestConfig;

/// `usual` cases; as many as `DROPWISE_FUZZ_CASES` says where a person lets it run for long.
pub(crate) fn cases(usual: u32) -> ProptestConfig {
    let told = std::env::var("DROPWISE_FUZZ_CASES").ok().and_then(|cases| cases.parse().ok());
    ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(told.unwrap_or(usual)) }
}
