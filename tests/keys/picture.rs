//! As much of a terminal as the program asks for: cells, and a cursor that writes them.

/// What a terminal shows.
pub(crate) struct Picture {
    cells: Vec<Vec<char>>,
    at: (usize, usize),
    rest: Vec<u8>,
}

impl Picture {
    /// An empty terminal of so many columns and rows.
    pub(crate) fn new(columns: usize, rows: usize) -> Self {
        Self { cells: vec![vec![' '; columns]; rows], at: (0, 0), rest: Vec::new() }
    }

    /// Its text, line by line.
    pub(crate) fn text(&self) -> String {
        self.cells.iter().map(|row| row.iter().collect::<String>().trim_end().to_owned() + "\n").collect()
    }

    /// Takes what the program writes.
    pub(crate) fn take(&mut self, bytes: &[u8]) {
        self.rest.extend_from_slice(bytes);
        let mut at = 0;
        while at < self.rest.len() {
            match self.one(at) {
                Some(next) => at = next,
                None => break,
            }
        }
        self.rest.drain(..at);
    }

    /// Takes one character or sequence; `None`: it is not complete yet.
    fn one(&mut self, at: usize) -> Option<usize> {
        let rest = &self.rest[at..];
        if rest[0] == 0x1b {
            if *rest.get(1)? != b'[' {
                return Some(at + 2);
            }
            let end = rest.iter().skip(2).position(|b| (0x40..=0x7e).contains(b))? + 2;
            let numbers = String::from_utf8_lossy(&rest[2..end]).into_owned();
            let number = |n: usize| numbers.split(';').nth(n).and_then(|t| t.parse::<usize>().ok());
            match rest[end] {
                b'H' => self.at = (number(0).unwrap_or(1) - 1, number(1).unwrap_or(1) - 1),
                b'J' => self.cells.iter_mut().for_each(|row| row.fill(' ')),
                _ => {}
            }
            return Some(at + end + 1);
        }
        let long = match rest[0] {
            0..=0x7f => 1,
            0xc0..=0xdf => 2,
            0xe0..=0xef => 3,
            _ => 4,
        };
        let text = std::str::from_utf8(rest.get(..long)?).unwrap_or("?");
        for c in text.chars().filter(|c| !c.is_control()) {
            if let Some(cell) = self.cells.get_mut(self.at.0).and_then(|row| row.get_mut(self.at.1)) {
                *cell = c;
            }
            self.at.1 += 1;
        }
        Some(at + long)
    }
}
