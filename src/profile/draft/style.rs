//! How numbers are written on a wire: the decimal sign and what groups thousands, from all lines together.

use super::text::{clock_or_date, digits};
use std::collections::HashMap;

/// How numbers are written on this wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct NumberStyle {
    pub(super) comma: bool,
    /// Some lines have a comma, others a point.
    pub(super) either: bool,
    pub(super) thousands: Option<char>,
}

/// What is known of the runs of digits and marks in a line.
#[derive(Default)]
struct Runs {
    points: usize,
    /// Points with three digits behind them, and those that stand before a decimal comma.
    threes: usize,
    point_then_comma: usize,
    /// Runs with one comma and no point, and with more.
    single: usize,
    several: usize,
    /// Count of digits behind a single comma, by the place of the run in its line.
    behind: HashMap<(u64, usize, usize), usize>,
    /// Runs with a point, by the place of the run in its line.
    pointed: HashMap<(u64, usize), usize>,
    /// Commas with a nought and a digit behind them: no whole number begins so.
    nought_behind: usize,
    /// Numbers with a point, and with one comma and no point, by kind of line.
    by_kind: HashMap<u64, (usize, usize)>,
    blank_groups: usize,
    apostrophes: usize,
}

impl Runs {
    fn read(&mut self, c: &[char], asked: Option<usize>) {
        // Lines of one kind have the same signs between their digits.
        let kind = c
            .iter()
            .filter(|x| !x.is_ascii_digit() && !matches!(x, ' ' | '-' | '+'))
            .fold(asked.map_or(7, |a| a as u64 + 11), |h, x| {
                h.wrapping_mul(31).wrapping_add(u64::from(u32::from(*x)))
            });
        let mut i = 0;
        let mut place = 0;
        while i < c.len() {
            if !c[i].is_ascii_digit() {
                i += 1;
                continue;
            }
            // A date or a clock is no number.
            if let Some((_, end)) = clock_or_date(c, i) {
                i = end;
                continue;
            }
            let start = i;
            while i < c.len()
                && (c[i].is_ascii_digit()
                    || matches!(c[i], '.' | ',' | '\'') && c.get(i + 1).is_some_and(char::is_ascii_digit))
            {
                i += 1;
            }
            let run = &c[start..i];
            let count = |mark: char| run.iter().filter(|x| **x == mark).count();
            let (points, commas) = (count('.'), count(','));
            self.points += points;
            self.by_kind.entry(kind).or_default().0 += points;
            if points > 0 {
                *self.pointed.entry((kind, place)).or_default() += 1;
            }
            self.apostrophes += count('\'');
            for at in run.iter().enumerate().filter(|(_, x)| **x == '.').map(|(k, _)| k) {
                let n = digits(run, at + 1);
                self.threes += usize::from(n == 3);
                self.point_then_comma += usize::from(n == 3 && run.get(at + 4) == Some(&','));
            }
            if commas == 1 && points == 0 {
                self.single += 1;
                self.by_kind.entry(kind).or_default().1 += 1;
                let at = run.iter().position(|x| *x == ',').unwrap_or(0);
                *self.behind.entry((kind, place, run.len() - at - 1)).or_default() += 1;
                self.nought_behind += usize::from(run.get(at + 1) == Some(&'0') && run.len() > at + 2);
            } else if commas > 1
                || commas == 1 && run.iter().position(|x| *x == ',') < run.iter().position(|x| *x == '.')
            {
                self.several += 1;
            }
            if run.len() <= 3
                && points + commas == 0
                && c.get(i) == Some(&' ')
                && digits(c, i + 1) == 3
                && matches!(c.get(i + 4), Some('.' | ','))
            {
                self.blank_groups += 1;
            }
            place += 1;
        }
    }

    /// Whether columns of one line differ in their decimal sign: each keeps to its own, and a comma has the same count
    /// of digits behind it in its column, somewhere not three of them, which could be thousands.
    fn columns_differ(&self) -> bool {
        let mut places: HashMap<(u64, usize), (usize, usize)> = HashMap::new();
        for ((kind, place, digits), n) in &self.behind {
            let (commas, best) = places.entry((*kind, *place)).or_default();
            *commas += n;
            if *digits != 3 {
                *best = (*best).max(*n);
            }
        }
        let beside_points = |kind: u64| self.by_kind.get(&kind).is_some_and(|k| k.0 >= 5 && k.1 >= 5);
        let own_sign = |place: &(u64, usize), commas: usize| {
            self.pointed.get(place).copied().unwrap_or(0) * 20 <= commas
        };
        let (mut all, mut own, mut sure) = (0, 0, 0);
        for (place, (commas, best)) in places.iter().filter(|(place, _)| beside_points(place.0)) {
            all += commas;
            own += if own_sign(place, *commas) { *commas } else { 0 };
            sure += if best * 10 >= commas * 9 { *best } else { 0 };
        }
        all >= 5 && own * 20 >= all * 19 && sure >= 5 && all * 2 >= self.single
    }
}

/// The decimal sign and the thousands mark, from all lines together.
pub(super) fn number_style(lines: &[String], asked: &[Option<usize>]) -> NumberStyle {
    let mut runs = Runs::default();
    for (line, asked) in lines.iter().zip(asked).take(4_000) {
        let c: Vec<char> = line.chars().take(400).collect();
        runs.read(&c, *asked);
    }
    // A point that groups thousands always has three digits behind it.
    let grouped_by_point = runs.point_then_comma > 1 && runs.threes * 10 >= runs.points * 9;
    // Digits behind a decimal comma keep their count in each column; those of a list do not.
    let mut best: HashMap<(u64, usize), usize> = HashMap::new();
    for ((kind, place, _), n) in &runs.behind {
        let most = best.entry((*kind, *place)).or_default();
        *most = (*most).max(*n);
    }
    let steady: usize = best.values().sum();
    // Two instruments on one line may each have their own sign.
    let of_commas: usize = runs.by_kind.values().filter(|k| k.0 == 0).map(|k| k.1).sum();
    let of_points: usize = runs.by_kind.values().filter(|k| k.1 == 0).map(|k| k.0).sum();
    let mixed: usize = runs.by_kind.values().filter(|k| k.0 > 0 && k.1 > 0).map(|k| k.0 + k.1).sum();
    let lines_differ = of_commas * 5 > runs.single * 3
        && of_commas >= 5
        && of_points >= 5
        && of_commas.max(of_points) < 4 * of_commas.min(of_points)
        && mixed * 3 < of_commas + of_points
        && steady * 10 >= runs.single * 7;
    let either =
        !grouped_by_point && runs.several * 10 < runs.single && (lines_differ || runs.columns_differ());
    let comma = grouped_by_point
        || runs.single > 0
            && runs.single > runs.several * 2
            && (runs.points == 0 || runs.single > runs.points * 3)
            && (steady * 10 >= runs.single * 7 || runs.nought_behind * 30 >= runs.single);
    let thousands = if runs.blank_groups > 0 && has_other_separator(lines) {
        Some(' ')
    } else if comma && grouped_by_point {
        Some('.')
    } else if runs.apostrophes > 1 {
        Some('\'')
    } else {
        None
    };
    NumberStyle { comma: comma && !either, either, thousands }
}

/// A thousands blank is believed only where blanks do not part the columns.
fn has_other_separator(lines: &[String]) -> bool {
    let parted = |l: &String| {
        l.contains(';') || l.contains('\t') || l.contains('|') || l.contains("  ") || l.contains(", ")
    };
    let tight = |l: &String| l.contains(';') || l.contains('\t') || l.contains('|');
    let n = lines.iter().filter(|l| tight(l)).count();
    n * 2 > lines.len() || n > 0 && lines.iter().filter(|l| parted(l)).count() * 2 > lines.len()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn style_of(line: impl Fn(usize) -> String) -> NumberStyle {
        let lines: Vec<String> = (0..30).map(line).collect();
        number_style(&lines, &vec![None; lines.len()])
    }

    #[test]
    fn columns_of_one_line_may_differ_in_their_decimal_sign() {
        assert!(
            style_of(|i| format!("pH {}.{:03} T {},{}", 3 + i / 10, i * 31 % 1000, 22 + i / 20, i % 10))
                .either
        );
        // Thousands, and a list without blanks, are no decimals.
        let thousands = style_of(|i| format!("V 4.{i:02} N 12,{:03}", 100 + i));
        assert!(!thousands.either && !thousands.comma);
        let list = style_of(|i| format!("{i},22,4.{i:02}"));
        assert!(!list.either && !list.comma);
    }
}
