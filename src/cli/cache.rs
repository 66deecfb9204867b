//! Where kept registrations and discs lie.

use std::path::PathBuf;

/// The user's cache folder, by the custom of the system.
pub fn user_cache() -> Option<PathBuf> {
    let variable = |name| std::env::var_os(name).filter(|v| !v.is_empty()).map(PathBuf::from);
    let base = if cfg!(windows) {
        variable("LOCALAPPDATA")
    } else if cfg!(target_os = "macos") {
        variable("HOME").map(|h| h.join("Library/Caches"))
    } else {
        variable("XDG_CACHE_HOME").or_else(|| variable("HOME").map(|h| h.join(".cache")))
    };
    base.map(|b| b.join("moonloom"))
}
