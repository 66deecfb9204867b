//! Dark, bias and flat masters averaged from their files.

use super::calibration::{Master, Masters, SampleColours, levelled, same_time};
use super::decode::{OpenFrame, open_frame};
use super::metadata::read_metadata;
use super::reading::{DecodeError, Reading};
use rayon::prelude::*;
use std::path::PathBuf;

/// The files of each kind.
#[derive(Clone, Debug, Default)]
pub struct CalibrationFiles {
    /// Frames with the cap on, as long as the night's.
    pub dark: Vec<PathBuf>,
    /// The shortest frames, cap on.
    pub bias: Vec<PathBuf>,
    /// Frames of an even surface through the same optics.
    pub flat: Vec<PathBuf>,
}

impl CalibrationFiles {
    /// All of them.
    pub(super) fn all(&self) -> impl Iterator<Item = &PathBuf> {
        self.dark.iter().chain(&self.bias).chain(&self.flat)
    }
}

/// A master and the size of its frames.
type SizedMaster = (Master, (usize, usize));

fn master(paths: &[PathBuf], reading: &Reading) -> Result<Option<SizedMaster>, DecodeError> {
    let (mut sum, mut low, mut high): (Vec<f32>, Vec<f32>, Vec<f32>) = Default::default();
    let (mut size, mut colours) = (None, SampleColours::default());
    for path in paths {
        let frame: OpenFrame = open_frame(path, reading)?.whole_or_none(path)?;
        let samples = frame.samples();
        let own_size = frame.sensor_size();
        let size = size.get_or_insert_with(|| {
            sum = vec![0.0; samples.len()];
            low = vec![f32::INFINITY; samples.len()];
            high = vec![f32::NEG_INFINITY; samples.len()];
            colours = frame.sample_colours();
            own_size
        });
        if *size != own_size || samples.len() != sum.len() {
            let message = "it has another size than the calibration frames before it".into();
            return Err(DecodeError::Damaged { path: path.clone(), message });
        }
        sum.par_iter_mut().zip(&mut low).zip(&mut high).zip(&samples).for_each(|(((s, l), h), v)| {
            *s += v;
            *l = l.min(*v);
            *h = h.max(*v);
        });
    }
    let Some(size) = size else { return Ok(None) };
    let n = paths.len();
    // Of three or fewer nothing can be spared.
    let (spared, count) = if n > 3 { (1.0, (n - 2) as f32) } else { (0.0, n as f32) };
    sum.par_iter_mut().zip(&low).zip(&high).for_each(|((s, l), h)| *s = (*s - spared * (l + h)) / count);
    let exposure_s = paths.first().and_then(|p| read_metadata(p).ok()?.exposure_time_s);
    Ok(Some((Master { samples: sum, colours, exposure_s }, size)))
}

/// Averages the frames of each kind; `None` when there are none.
///
/// # Errors
/// [`DecodeError`] of the first frame that cannot be read or does not fit the others.
pub(super) fn average(files: &CalibrationFiles, reading: &Reading) -> Result<Option<Masters>, DecodeError> {
    let reading = Reading { masters: None, repair_hot_pixels: Some(false), ..reading.clone() };
    let mut by_exposure: Vec<(Option<f64>, Vec<PathBuf>)> = Vec::new();
    for path in &files.dark {
        let exposure = read_metadata(path).ok().and_then(|m| m.exposure_time_s);
        match by_exposure.iter_mut().find(|(e, _)| same_time(*e, exposure)) {
            Some((_, list)) => list.push(path.clone()),
            None => by_exposure.push((exposure, vec![path.clone()])),
        }
    }
    let mut sizes = Vec::new();
    let mut darks = Vec::new();
    for (_, paths) in &by_exposure {
        if let Some((dark, size)) = master(paths, &reading)? {
            sizes.push((size, paths[0].clone()));
            darks.push(dark);
        }
    }
    let mut single = |paths: &Vec<PathBuf>| -> Result<Option<Master>, DecodeError> {
        let made = master(paths, &reading)?;
        Ok(made.map(|(master, size)| {
            sizes.push((size, paths[0].clone()));
            master
        }))
    };
    let (bias, flat) = (single(&files.bias)?, single(&files.flat)?);
    let Some((size, _)) = sizes.first().cloned() else { return Ok(None) };
    if let Some((_, path)) = sizes.iter().find(|(s, _)| *s != size) {
        let message = "darks, bias and flats differ in size".into();
        return Err(DecodeError::Damaged { path: path.clone(), message });
    }
    let flat = flat.map(|f| levelled(f, bias.as_ref()));
    Ok(Some(Masters { size, darks, bias, flat }))
}
