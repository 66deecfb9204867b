//! `moonloom merge`: parts that were looked at apart become one registration.

use super::looking::look_anew;
use super::outcome::{Exit, Failure, Outcome, tell};
use super::register::{ClockFrom, Target};
use super::values::wrong;
use clap::Args;
use moonloom::compose::same_file;
use moonloom::diag::Diagnostic;
use moonloom::ingest::read_night;
use moonloom::solve::{Looks, LooksError};
use std::path::{Path, PathBuf};

/// Make one registration of parts that `register --part` looked at, the same as one run over all frames.
#[derive(Args)]
pub struct MergeArgs {
    /// The parts, all of them
    #[arg(required = true, value_name = "PART")]
    parts: Vec<PathBuf>,
    /// Where to keep the registration
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// The folder of the frames, where it is not where the parts say
    #[arg(long, value_name = "DIR")]
    frames: Option<PathBuf>,
    /// A table of what was found; `-` prints it
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Whose time to trust, as in `register`
    #[arg(long, value_enum, default_value_t = ClockFrom::Frames, value_name = "SOURCE")]
    clock: ClockFrom,
    /// Warnings end the run with status 1
    #[arg(long)]
    strict: bool,
}

/// One part, and the folder that its frames lie in.
fn read_part(path: &Path) -> Result<(Looks, PathBuf), Failure> {
    let unusable = |why: LooksError| {
        let help = match why {
            LooksError::OtherVersion => "look at its frames again with this program: `moonloom register … --part K/N`",
            LooksError::Damaged => "copy it once more from where it was written, or look at its frames again",
            _ => "`moonloom register FRAMES --part K/N --out FILE` writes them",
        };
        wrong(format!("{} cannot be used: {why}", path.display()), help)
    };
    let bytes = std::fs::read(path).map_err(|e| Failure::reading(path, &e))?;
    let looks = Looks::from_bytes(&bytes).map_err(unusable)?;
    let folder = path.parent().unwrap_or(Path::new(".")).join(&looks.folder);
    Ok((looks, folder))
}

pub fn run(args: &MergeArgs) -> Outcome {
    let mut all = Looks::default();
    let mut folder = args.frames.clone();
    for path in &args.parts {
        if same_file(path, &args.out) {
            return Err(wrong(format!("{} is one of the parts", args.out.display()), "give another name with --out"));
        }
        let (looks, of_part) = read_part(path)?;
        let folder = folder.get_or_insert_with(|| of_part.clone());
        if args.frames.is_none() && !same_file(folder, &of_part) {
            let message =
                format!("{} is of the folder {}, not {}", path.display(), of_part.display(), folder.display());
            return Err(wrong(message, "merge the parts of one folder; where it was moved, name it with --frames"));
        }
        all.join(looks);
    }
    let folder = folder.unwrap_or_default();
    let read = read_night(&folder)?;
    let warnings = tell(&read.diagnostics);
    let night = read.value;
    all.cover(&night).map_err(|why| {
        let help = "give every part; look at changed frames again";
        Failure::new(Exit::CouldNot, Diagnostic::error("part-missing", why.to_string()).with_help(help))
    })?;
    let target = Target { out: &args.out, csv: args.csv.as_deref(), strict: args.strict };
    target.check(&night)?;
    target.write(&night, look_anew(&night, args.clock.into(), &all), warnings)
}
