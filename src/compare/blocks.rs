//! Putting takes against each other in order of time: blocks A B B A and B A A B, else pairs, else all against all.

use jiff::Timestamp;

use super::types::Basis;

/// Which antenna a take is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Antenna {
    /// The first.
    A,
    /// The second.
    B,
}

/// Takes that are put against each other as one: four in a block, two in a pair, all of them otherwise.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unit {
    /// Positions of A's takes in the slice of A's takes.
    pub a: Vec<usize>,
    /// Positions of B's takes in the slice of B's takes.
    pub b: Vec<usize>,
}

/// How the takes were put against each other.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Arrangement {
    /// By what.
    pub basis: Basis,
    /// The blocks or pairs in order of time; one unit of all takes where there are none.
    pub units: Vec<Unit>,
    /// Takes of either antenna that are in no unit.
    pub left_over: usize,
}

/// Arranges takes by when they were made.
///
/// Blocks are the four takes next to each other in time that read A B B A or B A A B; pairs are two neighbours of
/// different antennas; each take is used once, the earliest first, which gives the most units. Blocks are used where
/// they hold at least half as many takes as pairs would; pairs where they hold more than half of the takes; else all of
/// A stands against all of B, as it does where every take has the same time, so that there is no order.
pub fn arrange(a: &[Timestamp], b: &[Timestamp]) -> Arrangement {
    let mut order: Vec<(Timestamp, Antenna, usize)> = Vec::with_capacity(a.len() + b.len());
    order.extend(
        a.iter()
            .enumerate()
            .map(|(index, &time)| (time, Antenna::A, index)),
    );
    order.extend(
        b.iter()
            .enumerate()
            .map(|(index, &time)| (time, Antenna::B, index)),
    );
    order.sort_by_key(|&(time, _, index)| (time, index));

    let everything = |basis| Arrangement {
        basis,
        units: vec![Unit {
            a: (0..a.len()).collect(),
            b: (0..b.len()).collect(),
        }],
        left_over: 0,
    };
    if a.len() == 1 && b.len() == 1 {
        return everything(Basis::Single);
    }
    if order.windows(2).all(|pair| pair[0].0 == pair[1].0) {
        return everything(Basis::Unpaired);
    }
    let blocks = units(&order, 4, |w| w[0] != w[1] && w[1] == w[2] && w[0] == w[3]);
    let pairs = units(&order, 2, |w| w[0] != w[1]);
    let chosen = if !blocks.is_empty() && blocks.len() * 4 >= pairs.len() {
        (Basis::Blocks, blocks)
    } else if pairs.len() * 4 > order.len() {
        (Basis::Pairs, pairs)
    } else {
        return everything(Basis::Unpaired);
    };
    let used: usize = chosen
        .1
        .iter()
        .map(|unit| unit.a.len() + unit.b.len())
        .sum();
    Arrangement {
        basis: chosen.0,
        units: chosen.1,
        left_over: order.len() - used,
    }
}

/// Runs of `size` neighbours that `fits`, each take used once.
fn units(
    order: &[(Timestamp, Antenna, usize)],
    size: usize,
    fits: impl Fn(&[Antenna]) -> bool,
) -> Vec<Unit> {
    let antennas: Vec<Antenna> = order.iter().map(|take| take.1).collect();
    let mut found = Vec::new();
    let mut at = 0;
    while at + size <= order.len() {
        if !fits(&antennas[at..at + size]) {
            at += 1;
            continue;
        }
        let of = |antenna| {
            order[at..at + size]
                .iter()
                .filter(|take| take.1 == antenna)
                .map(|take| take.2)
                .collect::<Vec<usize>>()
        };
        found.push(Unit {
            a: of(Antenna::A),
            b: of(Antenna::B),
        });
        at += size;
    }
    found
}
