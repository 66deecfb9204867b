//! How much memory a run may take, and how many frames are therefore open at once.
//!
//! A share of the machine, or of the container that the program runs in, unless somebody says otherwise. It decides what is
//! refused and how much is done at a time, never a pixel.

use std::sync::OnceLock;

/// What is taken for the machine's memory where the system does not say.
const UNKNOWN: u64 = 8 << 30;
/// A tenth of a gigabyte looks at frames of ten megapixels, one at a time.
pub const LEAST: u64 = 100 << 20;

static LIMIT: OnceLock<u64> = OnceLock::new();

/// Sets the limit, bytes; once, before any work.
pub fn set_limit(bytes: u64) {
    // A second call would come too late for what has been opened by then.
    let _ = LIMIT.set(bytes.max(LEAST));
}

/// The limit, bytes: half of what there is unless it was set.
pub fn limit() -> u64 {
    *LIMIT.get_or_init(|| (machine_bytes() / 2).max(LEAST))
}

/// How many things that take so many bytes each may be open at once; at least one.
pub(crate) fn at_once(bytes: u64) -> usize {
    usize::try_from(limit() / bytes.max(1)).unwrap_or(usize::MAX).max(1)
}

/// Bytes of memory of this machine or container.
fn machine_bytes() -> u64 {
    let read = |path: &str| std::fs::read_to_string(path).ok();
    let number = |text: &str| text.trim().parse::<u64>().ok();
    let machine = read("/proc/meminfo").and_then(|text| {
        let line = text.lines().find_map(|l| l.strip_prefix("MemTotal:"))?;
        Some(number(line.trim_end_matches("kB"))? << 10)
    });
    // A group's own limit, of the second kind of control groups and of the first; both say so where there is none.
    let own = read("/proc/self/cgroup").and_then(|text| {
        let path = text.lines().find_map(|l| l.strip_prefix("0::"))?.to_owned();
        number(&read(&format!("/sys/fs/cgroup{path}/memory.max"))?)
    });
    let groups = [
        own,
        read("/sys/fs/cgroup/memory.max").as_deref().and_then(number),
        read("/sys/fs/cgroup/memory/memory.limit_in_bytes").as_deref().and_then(number),
    ];
    groups.into_iter().flatten().chain(machine).min().unwrap_or(UNKNOWN)
}

/// Pixels up to which a file may be as small as it likes.
const ALWAYS_FAIR: u64 = 50_000_000;
/// Bits a pixel that a photograph takes at least: a JPEG of one even tone takes a tenth, a night's sky ten times as much.
const LEAST_BITS: f64 = 0.05;

/// Whether a picture of so many pixels, opening which takes so many bytes a pixel, may be opened from a file of so many
/// bytes: asked before its pixels are given any.
///
/// # Errors
/// A sentence.
pub(crate) fn may_open(pixels: u64, bytes_each: u64, file_bytes: u64) -> Result<(), String> {
    let megapixels = pixels / 1_000_000;
    if pixels > ALWAYS_FAIR && file_bytes as f64 * 8.0 < LEAST_BITS * pixels as f64 {
        return Err(format!("it claims {megapixels} megapixels in {file_bytes} bytes, which no photograph has"));
    }
    let needed = pixels.saturating_mul(bytes_each);
    if needed > limit() {
        let (needed, most) = (needed >> 20, limit() >> 20);
        return Err(format!(
            "its {megapixels} megapixels would take {needed} MB, and this run may take {most} MB (--memory)"
        ));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_no_photograph_has_is_refused_before_it_takes_memory() {
        assert!(may_open(1_600_000_000, 1, 166_000).unwrap_err().contains("megapixels"));
        assert!(may_open(24_000_000, 3, 40_000).is_ok());
        assert!(may_open(u64::MAX / 2, 8, u64::MAX).unwrap_err().contains("--memory"));
    }

    #[test]
    fn there_is_some_memory_and_one_frame_is_always_open() {
        assert!(limit() >= LEAST && at_once(u64::MAX) == 1);
    }
}
