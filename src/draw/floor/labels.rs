//! Places for words beside marks: none over another, none over a mark.

/// Left, top, right and bottom in px.
pub(super) type Box4 = [f64; 4];

/// What is taken already, and the sheet's ends.
pub(super) struct Taken {
    within: Box4,
    boxes: Vec<Box4>,
}

/// Room kept around a mark.
const GAP_PX: f64 = 8.0;

fn meet(a: &Box4, b: &Box4) -> bool {
    a[0] < b[2] && b[0] < a[2] && a[1] < b[3] && b[1] < a[3]
}

impl Taken {
    pub(super) fn new(within: Box4) -> Taken {
        Taken {
            within,
            boxes: Vec::new(),
        }
    }

    pub(super) fn add(&mut self, taken: Box4) {
        self.boxes.push(taken);
    }

    fn is_free(&self, wanted: &Box4) -> bool {
        let [left, top, right, bottom] = self.within;
        let inside =
            wanted[0] >= left && wanted[1] >= top && wanted[2] <= right && wanted[3] <= bottom;
        inside && self.boxes.iter().all(|taken| !meet(taken, wanted))
    }

    /// The first free place for words of this size beside a mark of this radius, which is then taken: right, left, above,
    /// below, and the corners, nearer before farther.
    pub(super) fn beside(
        &mut self,
        (x, y): (f64, f64),
        radius: f64,
        (width, height): (f64, f64),
    ) -> Option<Box4> {
        for away in [radius + GAP_PX, radius + 4.0 * GAP_PX] {
            let (right, left) = (x + away, x - away - width);
            let (above, below) = (y - away - height, y + away);
            let (middle_x, middle_y) = (x - width / 2.0, y - height / 2.0);
            let near = 0.5 * away;
            let corners = [
                (right, middle_y),
                (left, middle_y),
                (middle_x, above),
                (middle_x, below),
                (x + near, y - near - height),
                (x + near, y + near),
                (x - near - width, y - near - height),
                (x - near - width, y + near),
                (right, y - height),
                (right, y),
                (left, y - height),
                (left, y),
            ];
            for (left, top) in corners {
                let wanted = [left, top, left + width, top + height];
                if self.is_free(&wanted) {
                    self.add(wanted);
                    return Some(wanted);
                }
            }
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_go_where_nothing_is_and_nowhere_when_all_is_full() {
        let mut taken = Taken::new([0.0, 0.0, 400.0, 200.0]);
        taken.add([190.0, 90.0, 210.0, 110.0]);
        let size = (100.0, 40.0);
        let mut places = Vec::new();
        while let Some(place) = taken.beside((200.0, 100.0), 10.0, size) {
            for other in &places {
                assert!(!meet(other, &place), "{other:?} {place:?}");
            }
            assert!(place[0] >= 0.0 && place[2] <= 400.0 && place[1] >= 0.0 && place[3] <= 200.0);
            places.push(place);
        }
        assert!(places.len() >= 4, "{places:?}");
        assert_eq!(places[0], [218.0, 80.0, 318.0, 120.0], "right first");
    }
}
