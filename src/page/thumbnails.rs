//! Windows of frames, kept while the night stays as it is: a sheet that is scrolled back shows them at once. No more frames are open
//! at a time than the processors can decode: a browser asks for six.

use crate::ingest::Night;
use crate::proof::Window;
use crate::registration::FrameRegistration;
use std::collections::HashMap;
use std::sync::{Arc, Mutex};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// What is kept of windows, bytes: a few thousand of them. When it is full it begins anew.
const MOST_BYTES: usize = 128 << 20;

/// What a window shows: a frame, and where its disc is.
type Key = (String, Option<[u64; 3]>);

#[derive(Default)]
struct Kept {
    /// The night that they are of: one that was read anew has other frames, or the same ones read otherwise.
    night: Option<Arc<Night>>,
    windows: HashMap<Key, Window>,
    bytes: usize,
}

pub(super) struct Thumbnails {
    kept: Mutex<Kept>,
    /// Leave to open a frame: one more than there are processors, so that none waits for the disk.
    opening: Arc<Semaphore>,
}

impl Default for Thumbnails {
    fn default() -> Self {
        let at_once = std::thread::available_parallelism().map_or(2, std::num::NonZero::get);
        Thumbnails { kept: Mutex::default(), opening: Arc::new(Semaphore::new(at_once + 1)) }
    }
}

impl Thumbnails {
    fn with<T>(&self, night: &Arc<Night>, work: impl FnOnce(&mut Kept) -> T) -> T {
        let mut kept = self.kept.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if !kept.night.as_ref().is_some_and(|n| Arc::ptr_eq(n, night)) {
            *kept = Kept { night: Some(night.clone()), ..Kept::default() };
        }
        work(&mut kept)
    }

    /// The window of a frame, if it is kept.
    pub fn kept(&self, night: &Arc<Night>, f: &FrameRegistration) -> Option<Window> {
        self.with(night, |kept| kept.windows.get(&key(f)).cloned())
    }

    pub fn keep(&self, night: &Arc<Night>, f: &FrameRegistration, window: Window) {
        self.with(night, |kept| {
            if kept.bytes > MOST_BYTES {
                (kept.windows, kept.bytes) = (HashMap::new(), 0);
            }
            kept.bytes += window.jpeg.len();
            let before = kept.windows.insert(key(f), window);
            kept.bytes -= before.map_or(0, |w| w.jpeg.len());
        });
    }

    /// Leave to open a frame, for as long as it is held: by the work itself, which goes on when nobody waits for it any longer.
    pub async fn turn(&self) -> Option<OwnedSemaphorePermit> {
        self.opening.clone().acquire_owned().await.ok()
    }
}

fn key(f: &FrameRegistration) -> Key {
    (f.file.clone(), f.centre().zip(f.radius_px()).map(|(c, r)| [c.x, c.y, r].map(f64::to_bits)))
}
