//! What a JPEG's headers say of its frame and of each scan (ITU-T T.81, B.2.2 and B.2.3).

/// What a frame's header says of a colour component.
#[derive(Clone, Copy)]
pub(super) struct Component {
    pub id: u8,
    pub across: usize,
    pub down: usize,
    pub quantization: usize,
}

#[derive(Clone, Copy, PartialEq)]
pub(super) enum Process {
    Sequential,
    Progressive,
}

pub(super) struct FrameHeader {
    pub process: Process,
    pub width: usize,
    pub height: usize,
    /// Where in the file the height stands.
    pub height_at: usize,
    /// Largest value of a dequantized coefficient: eight times half the scale.
    pub largest: i64,
    pub components: Vec<Component>,
}

/// One scan's header.
pub(super) struct Scan {
    /// Index of the component, its table of direct and of alternating coefficients.
    pub parts: Vec<(usize, usize, usize)>,
    pub first: usize,
    pub last: usize,
    /// Whether it refines what an earlier scan gave.
    pub refines: bool,
    /// By how many bits its numbers are shifted.
    pub shift: u32,
}

pub(super) fn frame_header(marker: u8, body: &[u8], height_at: usize) -> Option<FrameHeader> {
    let &[precision, h0, h1, w0, w1, count] = body.first_chunk()?;
    let list = body.get(6..6 + 3 * usize::from(count))?;
    let components: Vec<Component> = list
        .as_chunks::<3>()
        .0
        .iter()
        .map(|&[id, sampling, table]| Component {
            id,
            across: usize::from(sampling >> 4),
            down: usize::from(sampling & 15),
            quantization: usize::from(table & 3),
        })
        .collect();
    let fair = components.iter().all(|c| (1..=4).contains(&c.across) && (1..=4).contains(&c.down));
    (fair && (1..=4).contains(&components.len()) && (precision == 8 || precision == 12)).then(|| FrameHeader {
        process: if marker == 0xc2 { Process::Progressive } else { Process::Sequential },
        width: usize::from(u16::from_be_bytes([w0, w1])),
        height: usize::from(u16::from_be_bytes([h0, h1])),
        height_at,
        largest: 4 << precision,
        components,
    })
}

pub(super) fn scan_header(frame: &FrameHeader, body: &[u8]) -> Option<Scan> {
    let count = usize::from(*body.first()?);
    let part = |p: &[u8; 2]| {
        let index = frame.components.iter().position(|c| c.id == p[0])?;
        Some((index, usize::from(p[1] >> 4 & 3), usize::from(p[1] & 3)))
    };
    let parts = body.get(1..1 + 2 * count)?.as_chunks::<2>().0.iter().map(part).collect::<Option<Vec<_>>>()?;
    let &[first, last, shifts] = body.get(1 + 2 * count..)?.first_chunk()?;
    let (first, last) = (usize::from(first), usize::from(last));
    let progressive = frame.process == Process::Progressive;
    let (first, last) = if progressive { (first, last) } else { (0, 63) };
    let alternating_alone = first > 0 && count == 1 && last < 64 && last >= first;
    let direct_alone = first == 0 && last == 0;
    let shift = if progressive { u32::from(shifts & 15) } else { 0 };
    let fair = !parts.is_empty() && (!progressive || alternating_alone || direct_alone);
    fair.then_some(Scan { parts, first, last, refines: progressive && shifts >> 4 > 0, shift })
}

impl FrameHeader {
    /// Blocks of a component across and down, as a scan of it alone holds them.
    pub(super) fn blocks(&self, c: &Component) -> (usize, usize) {
        let (most_across, most_down) = self.most();
        let side = |length: usize, share: usize, most: usize| (length * share).div_ceil(most).div_ceil(8);
        (side(self.width, c.across, most_across), side(self.height, c.down, most_down))
    }

    pub(super) fn most(&self) -> (usize, usize) {
        let most = |of: fn(&Component) -> usize| self.components.iter().map(of).max().unwrap_or(1);
        (most(|c| c.across), most(|c| c.down))
    }

    /// Groups of blocks across and down, as a scan of several components holds them.
    pub(super) fn groups(&self) -> (usize, usize) {
        let (across, down) = self.most();
        (self.width.div_ceil(8 * across), self.height.div_ceil(8 * down))
    }
}
