//! Joins the final end-points with the live finds that announced them.

use super::{Change, EndPoint, WatchState};

/// A live find further than this part of the titrant from an end-point belongs to another one.
const SAME: f64 = 0.05;

/// Writes beside each end-point where the watch had confirmed it: the first find that was never withdrawn and is
/// nearest to it.
pub fn confirm(end_points: &mut [EndPoint], changes: &[Change]) {
    let withdrawn: Vec<u32> =
        changes.iter().filter(|c| c.state == WatchState::Withdrawn).filter_map(|c| c.find).collect();
    let volumes: Vec<f64> = end_points.iter().map(|e| e.titrant).collect();
    for change in changes.iter().filter(|c| c.state == WatchState::Found) {
        let (Some(find), Some(found)) = (change.find, change.end_point) else { continue };
        let nearest = volumes
            .iter()
            .enumerate()
            .map(|(i, v)| ((v - found).abs(), i))
            .min_by(|a, b| a.0.total_cmp(&b.0));
        if withdrawn.contains(&find) {
            continue;
        }
        if let Some((distance, i)) = nearest
            && distance <= SAME * found.abs().max(volumes[i].abs())
            && let Some(end_point) = end_points.get_mut(i)
            && end_point.confirmed_at.is_none()
        {
            end_point.confirmed_at = Some(change.titrant);
            end_point.confirmed_at_point = Some(change.point);
        }
    }
}
