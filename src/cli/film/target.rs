//! What a film's pictures become: one file, or numbered ones.

use crate::cli::outcome::Failure;
use crate::cli::values::wrong;
use moonloom::write::Container;
use std::path::{Path, PathBuf};

/// Where pictures go.
pub enum Target {
    Animation(PathBuf),
    #[cfg(feature = "video")]
    Video(PathBuf),
    /// Before and after the digits, and how many there are.
    Numbered {
        before: String,
        after: String,
        digits: usize,
    },
}

impl Target {
    pub fn of(out: &Path) -> Result<Self, Failure> {
        let name = out.to_string_lossy();
        let digits = name.matches('#').count();
        if digits == 0 {
            #[cfg(feature = "video")]
            if out.extension().is_some_and(|e| e.eq_ignore_ascii_case("mp4")) {
                return Ok(Target::Video(out.to_owned()));
            }
            return match Container::for_path(out) {
                Ok(Container::Png) => Ok(Target::Animation(out.to_owned())),
                _ => Err(wrong(
                    format!("{name} cannot hold a film"),
                    if cfg!(feature = "video") {
                        "end it in .mp4 or .png, or write numbered pictures: --out 'film/####.tif'"
                    } else {
                        "end it in .png, or write numbered pictures: --out 'film/####.tif'"
                    },
                )),
            };
        }
        let (before, after) = name.split_once(&"#".repeat(digits)).ok_or_else(|| {
            wrong(format!("the digits of {name} do not stand together"), "write them like film/####.png")
        })?;
        Container::for_path(Path::new(&format!("0{after}")))?;
        Ok(Target::Numbered { before: before.to_owned(), after: after.to_owned(), digits })
    }

    pub fn numbered(&self, number: usize) -> PathBuf {
        match self {
            Target::Animation(path) => path.clone(),
            #[cfg(feature = "video")]
            Target::Video(path) => path.clone(),
            Target::Numbered { before, after, digits } => format!("{before}{number:0digits$}{after}").into(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_stand_where_the_name_has_them() {
        let of = |name: &str| Target::of(Path::new(name)).map_err(|f| f.diagnostic.message.clone());
        assert_eq!(of("film/f####.tif").unwrap().numbered(7), Path::new("film/f0007.tif"));
        assert!(of("film.tif").is_err_and(|m| m.contains("cannot hold a film")));
        assert!(of("a##b##.png").is_err());
        assert!(of("film.png").is_ok());
    }
}
