//! Bits of a JPEG's scan, and the codes they spell (ITU-T T.81, annexes C, F and G).

/// Bits that find their code at once.
const QUICK: u32 = 10;

/// A Huffman table.
pub(super) struct Table {
    /// Length and symbol of the code that some bits begin with; length nought where it is longer.
    quick: Vec<(u8, u8)>,
    /// For each length, codes below this (at sixteen bits) are of that length or shorter; and what to add to a code to get
    /// the place of its symbol.
    by_length: [(u32, i32); 17],
    symbols: Vec<u8>,
}

impl Table {
    /// From how many codes of each length there are, and their symbols; `None` where they do not fit.
    pub(super) fn new(counts: &[u8; 16], symbols: &[u8]) -> Option<Self> {
        let mut quick = vec![(0, 0); 1 << QUICK];
        let mut by_length = [(0, 0); 17];
        let (mut code, mut place) = (0u32, 0usize);
        for length in 1..=16u32 {
            let offset = place as i32 - code as i32;
            for _ in 0..counts[length as usize - 1] {
                if length <= QUICK {
                    let from = (code << (QUICK - length)) as usize;
                    let symbol = *symbols.get(place)?;
                    quick.get_mut(from..from + (1 << (QUICK - length)))?.fill((length as u8, symbol));
                }
                (code, place) = (code + 1, place + 1);
            }
            if code > 1 << length {
                return None;
            }
            by_length[length as usize] = (code << (16 - length), offset);
            code <<= 1;
        }
        Some(Table { quick, by_length, symbols: symbols.to_vec() })
    }

    /// Length and symbol of the code that the upper bits of a word begin with.
    fn find(&self, word: u64) -> Option<(u32, u8)> {
        let (length, symbol) = self.quick[(word >> (64 - QUICK)) as usize];
        if length > 0 {
            return Some((length.into(), symbol));
        }
        let sixteen = (word >> 48) as u32;
        let length = (QUICK as usize + 1..=16).find(|l| sixteen < self.by_length[*l].0)?;
        let place = (sixteen >> (16 - length)) as i32 + self.by_length[length].1;
        Some((length as u32, *self.symbols.get(usize::try_from(place).ok()?)?))
    }
}

/// A scan's bytes up to the next marker without the noughts that follow each 0xff, and how many bytes of the file they take.
pub(super) fn unstuffed(bytes: &[u8]) -> (Vec<u8>, usize) {
    let mut out = Vec::with_capacity(bytes.len().min(1 << 24) + 8);
    let mut at = 0;
    loop {
        let next = memchr::memchr(0xff, &bytes[at..]).map_or(bytes.len(), |n| at + n);
        out.extend_from_slice(&bytes[at..next]);
        if bytes.get(next + 1) != Some(&0) {
            return (out, next);
        }
        out.push(0xff);
        at = next + 2;
    }
}

/// Reads bits from the highest of each byte on.
pub(super) struct Bits {
    /// With eight more bytes of noughts at the end.
    bytes: Vec<u8>,
    length: usize,
    at: usize,
}

impl Bits {
    pub(super) fn new(mut bytes: Vec<u8>) -> Self {
        let length = bytes.len() * 8;
        bytes.extend([0; 8]);
        Bits { bytes, length, at: 0 }
    }

    /// The bits from here on, at least 57 of them, noughts beyond the end.
    fn word(&self) -> u64 {
        let from = self.at >> 3;
        let bytes = self.bytes.get(from..from + 8).and_then(|b| b.try_into().ok()).unwrap_or([0; 8]);
        u64::from_be_bytes(bytes) << (self.at & 7)
    }

    pub(super) fn skip(&mut self, bits: usize) {
        self.at += bits;
    }

    fn bit(&mut self) -> bool {
        let bit = self.word() >> 63 == 1;
        self.at += 1;
        bit
    }

    /// Whether more was read than there is.
    pub(super) fn is_past_end(&self) -> bool {
        self.at > self.length
    }

    /// Whether whole bytes are left that are more than the noughts or ones which some cameras fill up with.
    pub(super) fn holds_more(&self) -> bool {
        let rest = &self.bytes[self.at.div_ceil(8).min(self.length / 8)..self.length / 8];
        rest.iter().any(|b| *b != 0 && *b != 0xff)
    }

    /// A number behind its length's code.
    pub(super) fn number(&mut self, table: &Table) -> Option<i64> {
        let word = self.word();
        let (length, size) = table.find(word)?;
        let size = u32::from(size);
        if size > 15 {
            return None;
        }
        self.at += (length + size) as usize;
        if size == 0 {
            return Some(0);
        }
        let bits = (word << length >> (64 - size)) as i64;
        Some(if bits >> (size - 1) == 1 { bits } else { bits - (1 << size) + 1 })
    }

    /// All alternating coefficients of a block.
    pub(super) fn block(&mut self, table: &Table) -> Option<()> {
        let mut k = 1;
        while k < 64 {
            let (length, symbol) = table.find(self.word())?;
            let size = symbol & 15;
            self.at += (length + u32::from(size)) as usize;
            match (symbol >> 4, size) {
                (15, 0) => k += 16,
                (_, 0) => return Some(()),
                (run, _) => k += usize::from(run) + 1,
            }
        }
        // A run that ends with the block says that another coefficient follows.
        (k == 64).then_some(())
    }

    /// A band of a block's coefficients, told for the first time.
    pub(super) fn first_band(
        &mut self,
        table: &Table,
        (first, last): (usize, usize),
        run: &mut u32,
        known: &mut u64,
    ) -> Option<()> {
        if *run > 0 {
            *run -= 1;
            return Some(());
        }
        let mut k = first;
        while k <= last {
            let word = self.word();
            let (length, symbol) = table.find(word)?;
            let (zeros, size) = (u32::from(symbol >> 4), u32::from(symbol & 15));
            self.at += length as usize;
            match (zeros, size) {
                (15, 0) => k += 16,
                (_, 0) => {
                    *run = self.end_of_bands(word << length, zeros);
                    return Some(());
                }
                _ => {
                    k += zeros as usize;
                    if k > last {
                        return None;
                    }
                    self.at += size as usize;
                    *known |= 1 << k;
                    k += 1;
                }
            }
        }
        Some(())
    }

    /// How many blocks after this one hold nothing more of the band.
    fn end_of_bands(&mut self, word: u64, bits: u32) -> u32 {
        self.at += bits as usize;
        let low = if bits == 0 { 0 } else { (word >> (64 - bits)) as u32 };
        (1 << bits) - 1 + low
    }

    /// A band of a block's coefficients, refined by one bit (figures G.7 to G.9).
    pub(super) fn refined_band(
        &mut self,
        table: &Table,
        (first, last): (usize, usize),
        run: &mut u32,
        known: &mut u64,
    ) -> Option<()> {
        let mut k = first;
        if *run == 0 {
            while k <= last {
                let word = self.word();
                let (length, symbol) = table.find(word)?;
                let (mut zeros, size) = (u32::from(symbol >> 4), u32::from(symbol & 15));
                self.at += length as usize;
                match size {
                    0 if zeros < 15 => {
                        // This block counts among them: what it holds is refined below.
                        *run = self.end_of_bands(word << length, zeros) + 1;
                        break;
                    }
                    0 => {}
                    1 => self.at += 1,
                    _ => return None,
                }
                // Over what is known, a bit each, and over as many noughts as the code says.
                while k <= last {
                    if *known >> k & 1 == 1 {
                        self.bit();
                    } else if zeros == 0 {
                        break;
                    } else {
                        zeros -= 1;
                    }
                    k += 1;
                }
                if size == 1 {
                    if k > last {
                        return None;
                    }
                    *known |= 1 << k;
                }
                k += 1;
            }
        }
        if *run > 0 {
            for k in k..=last {
                self.at += (*known >> k & 1) as usize;
            }
            *run -= 1;
        }
        Some(())
    }
}
