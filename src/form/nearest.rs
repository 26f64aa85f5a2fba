//! The word that was likely meant.

/// The candidate that was likely meant: at most a third of its letters differ, and never all of them.
pub(crate) fn nearest<'a>(wrong: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let wrong = wrong.to_lowercase();
    let typed = wrong.chars().count();
    let meant = |(distance, candidate): &(usize, &str)| {
        let letters = candidate.chars().count();
        *distance <= letters.max(3) / 3 && *distance < letters.max(typed)
    };
    candidates
        .into_iter()
        .map(|candidate| (letters_apart(&wrong, &candidate.to_lowercase()), candidate))
        .filter(meant)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

/// Letters to change, add, leave out or swap with their neighbour to get from one word to the other
/// (optimal string alignment distance).
fn letters_apart(a: &str, b: &str) -> usize {
    let a: Vec<char> = a.chars().take(64).collect();
    let b: Vec<char> = b.chars().take(64).collect();
    let mut rows = vec![vec![0_usize; b.len() + 1]; a.len() + 1];
    for (j, cell) in rows[0].iter_mut().enumerate() {
        *cell = j;
    }
    for i in 1..=a.len() {
        rows[i][0] = i;
        for j in 1..=b.len() {
            let change = rows[i - 1][j - 1] + usize::from(a[i - 1] != b[j - 1]);
            let mut best = change.min(rows[i - 1][j] + 1).min(rows[i][j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                best = best.min(rows[i - 2][j - 2] + 1);
            }
            rows[i][j] = best;
        }
    }
    rows[a.len()][b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_word_is_told_but_no_far_one() {
        assert_eq!(nearest("buad", ["baud", "parity"]), Some("baud"));
        assert_eq!(nearest("partiy", ["baud", "parity"]), Some("parity"));
        assert_eq!(nearest("colour", ["baud", "parity"]), None);
    }

    #[test]
    fn a_name_of_a_formula_finds_its_neighbour_and_nonsense_none() {
        let known = ["V_blank", "V", "m", "c"];
        assert_eq!(nearest("V_blnak", known), Some("V_blank"));
        assert_eq!(nearest("v", known), Some("V"));
        assert_eq!(nearest("x", known), None);
        assert_eq!(nearest("temperature", known), None);
    }
}
