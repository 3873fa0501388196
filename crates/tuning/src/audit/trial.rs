//! One explanation of everything that was heard, and how better ones are found.

use std::rc::Rc;

use super::evidence::{Change, Evidence};
use super::hypothesis::{self, Hypothesis};
use super::{AuditInput, Verdict};
use crate::{Band, BandKind, QDefinition};

/// An explanation must lower the squared error by so many variances of the noise more than it
/// is a burden: with some hundred explanations that differ, chance alone reaches about 20.
const LEAST_LEAD: f64 = 14.0;
/// An explanation must change the sound by so much somewhere; less is within what
/// two captures of the same thing differ by.
const LEAST_CHANGE_DB: f64 = 0.25;
/// A band that nobody meant must change it by more: it is not expected at all.
const LEAST_EXTRA_DB: f64 = 0.6;
/// And must lower the squared error by so many variances: three values are free in it, and it
/// must be the only way out.
const LEAST_EXTRA_GAIN: f64 = 46.0;
/// The same where a microphone stood elsewhere, of whose noise no more is known than a shape.
const LEAST_LEAD_MOVED: f64 = 28.0;
const LEAST_EXTRA_GAIN_MOVED: f64 = 90.0;
/// And where its captures were smoothed as well, which makes ripples look like bands, and bands like smaller ones.
const LEAST_LEAD_MOVED_AND_SMOOTHED: f64 = 36.0;
const LEAST_CHANGE_MOVED_AND_SMOOTHED_DB: f64 = 1.5;
const LEAST_CHANGE_MOVED_DB: f64 = 1.0;
const LEAST_EXTRA_MOVED_DB: f64 = 2.0;
/// The best explanation must beat the best of another kind by so many variances.
const CLEAR_LEAD: f64 = 3.0;
/// A band is as meant when every clearly different explanation fits worse by so many variances, and by so many
/// more where it would take the place of a mistake that is believed of another band; else it cannot be told.
const DOUBT_LEAD: f64 = 1.0;
const DOUBT_LEAD_IN_PLACE: f64 = 9.0;
/// The same where a microphone stood elsewhere.
const DOUBT_LEAD_MOVED: f64 = 6.0;
const DOUBT_LEAD_IN_PLACE_MOVED: f64 = 14.0;
/// And it can be told from none when it stands out of the noise by so many variances: three standard deviations.
const LEAST_POWER: f64 = 9.0;
/// An explanation is clearly different when it changes the sound somewhere by so much of what the
/// band does, and by so much at least.
const DIFFERENT_SHARE: f64 = 0.5;
const DIFFERENT_DB: f64 = 1.0;
/// A band that nobody meant is not believed at an end of the Qs that are tried: there a single
/// ripple, or all that is left, would be one.
const EXTRA_QS: std::ops::RangeInclusive<f64> = 0.3..=12.0;
const BELIEVED_QS: std::ops::RangeInclusive<f64> = 0.32..=10.0;
/// Explanations that differ by no more than this anywhere sound the same.
const ALIKE_DB: f64 = 0.25;
/// So many variances a mistake must be worth when two sets of mistakes are compared.
const MISTAKE_BURDEN: f64 = 12.0;
/// So many it must be worth when it could be noise as well, and what is free in it has to be
/// paid for; and so many more a band that nobody meant.
const CAUSE_BURDEN: f64 = 20.0;
const EXTRA_BURDEN: f64 = 20.0;
/// More bands that nobody meant would only paint the rest.
const MOST_EXTRAS: usize = 3;

/// The explanation of the change that needs the fewest and likeliest mistakes.
pub(super) fn explained<'a>(
    input: &'a AuditInput<'a>,
    evidence: &'a Evidence,
    possible: &Possible,
) -> Trial<'a> {
    let tried = Rc::new(possible.tried(evidence));
    let mut from_meant = Trial::new(input, evidence, Rc::clone(&tried));
    from_meant.run();
    // One cause for all is not found band by band.
    let own = input.profile.map_or(QDefinition::Cookbook, |profile| profile.q_definition);
    let mut others = Vec::new();
    for other in QDefinition::ALL.into_iter().filter(|&definition| definition != own) {
        let mut by_definition = Trial::new(input, evidence, Rc::clone(&tried));
        by_definition.take_definition(other);
        if by_definition.mistakes() > 1
            && by_definition.remains(None).misfit() < from_meant.remains(None).misfit()
        {
            by_definition.run();
            others.push(by_definition);
        }
    }
    if from_meant.mistakes() > 1 {
        let mut twice = Trial::new(input, evidence, Rc::clone(&tried));
        twice.take_twice();
        twice.run();
        others.push(twice);
    }
    if from_meant.mistakes() < 2 && others.is_empty() {
        return from_meant;
    }
    // With several mistakes at once, one may be taken for another; begun from what
    // all gains together say, the search often needs fewer.
    let mut from_gains = Trial::new(input, evidence, Rc::clone(&tried));
    from_gains.take_gains();
    from_gains.run();
    others.push(from_gains);
    let mut with_extra = Trial::new(input, evidence, Rc::clone(&tried));
    with_extra.take_gains_around_an_extra();
    with_extra.run();
    others.push(with_extra);
    let mut best = others
        .into_iter()
        .fold(from_meant, |best, next| if next.total() < best.total() { next } else { best });
    best.reconcile();
    best
}

/// Everything that is tried, with its curves, whatever the noise.
pub(super) struct Possible {
    /// The explanations for each band.
    bands: Vec<Vec<(Hypothesis, Vec<f64>)>>,
    /// Places and Qs of bands that nobody meant, each with a gain of [`UNIT_DB`].
    extras: Vec<((f64, f64), Vec<f64>)>,
}

/// The gain by which a band that nobody meant is looked for.
const UNIT_DB: f64 = 3.0;

impl Possible {
    pub(super) fn new(input: &AuditInput<'_>, evidence: &Evidence) -> Self {
        let points = &evidence.frequency_hz;
        let (from_hz, to_hz) = (points[0], points[points.len() - 1]);
        let with_curve = |hypothesis: Hypothesis| {
            let heard = hypothesis.typed.map(|typed| input.cookbook(&typed));
            let mut curve_db = evidence.curve(heard.as_ref());
            if hypothesis.twice {
                curve_db.iter_mut().for_each(|db| *db *= 2.0);
            }
            (hypothesis, curve_db)
        };
        let bands = input.bands.iter().map(|band| {
            hypothesis::all(band, input.profile, from_hz, to_hz).into_iter().map(with_curve).collect()
        });
        let extras = crate::log_axis::grid(from_hz, to_hz, 12.0).into_iter().flat_map(|frequency_hz| {
            [0.7, 1.4, 2.8, 5.6]
                .map(|q| ((frequency_hz, q), evidence.curve(Some(&Band::peak(frequency_hz, UNIT_DB, q)))))
        });
        Self { bands: bands.collect(), extras: extras.collect() }
    }

    fn tried(&self, evidence: &Evidence) -> Tried {
        let explanation = |(hypothesis, curve): &(Hypothesis, Vec<f64>)| Explanation {
            hypothesis: *hypothesis,
            change: evidence.change_of(curve),
        };
        let extra = |(place, curve): &((f64, f64), Vec<f64>)| (*place, evidence.change_of(curve));
        Tried {
            bands: self.bands.iter().map(|band| band.iter().map(explanation).collect()).collect(),
            extras: self.extras.iter().map(extra).collect(),
        }
    }
}

/// Everything that is tried, as it would be heard.
struct Tried {
    bands: Vec<Vec<Explanation>>,
    extras: Vec<((f64, f64), Change)>,
}

/// An explanation for a band and what it would do.
struct Explanation {
    hypothesis: Hypothesis,
    change: Change,
}

/// What one band is believed to be.
#[derive(Debug, Clone)]
pub(super) struct Belief {
    pub(super) verdict: Verdict,
    pub(super) typed: Option<Band>,
    /// It is there twice.
    pub(super) twice: bool,
    pub(super) change: Change,
    /// The text for [`Verdict::Unclear`]: the two explanations that fit.
    pub(super) rival: Option<(Hypothesis, Hypothesis)>,
}

pub(super) struct Trial<'a> {
    pub(super) input: &'a AuditInput<'a>,
    pub(super) evidence: &'a Evidence,
    tried: Rc<Tried>,
    heard: Change,
    pub(super) beliefs: Vec<Belief>,
    /// One cause for what became of many bands, where it is the one mistake.
    pub(super) common: Option<Common>,
}

/// One cause for many mistakes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Common {
    /// The processor takes the Q of all peaks for something else.
    Definition(QDefinition),
    /// The whole list was entered twice.
    Twice,
}

impl<'a> Trial<'a> {
    fn new(input: &'a AuditInput<'a>, evidence: &'a Evidence, tried: Rc<Tried>) -> Self {
        let as_meant = |band: &Band| Belief {
            verdict: Verdict::AsMeant,
            typed: Some(*band),
            twice: false,
            change: evidence.change(Some(&input.cookbook(band))),
            rival: None,
        };
        let beliefs = input.bands.iter().map(as_meant).collect();
        Self { input, evidence, tried, heard: evidence.heard(), beliefs, common: None }
    }

    /// The bands (Q of the cookbook) that are believed to be heard.
    pub(super) fn bands(&self) -> Vec<Band> {
        let mut bands = Vec::new();
        for belief in &self.beliefs {
            let heard = belief.typed.map(|typed| self.input.cookbook(&typed));
            bands.extend(heard);
            bands.extend(heard.filter(|_| belief.twice));
        }
        bands
    }

    fn mistakes(&self) -> usize {
        self.beliefs.iter().filter(|b| b.verdict != Verdict::AsMeant).count()
    }

    /// Whether a band that is believed to be as meant may as well be something clearly different.
    pub(super) fn is_doubtful(&self, index: usize) -> bool {
        let meant = &self.beliefs[index].change;
        let does_db = meant.db.iter().fold(0.0f64, |most, db| most.max(db.abs()));
        let different_db = (DIFFERENT_SHARE * does_db).max(DIFFERENT_DB);
        let differs = |tried: &&Explanation| tried.change.farthest_db(meant) >= different_db;
        let others: Vec<&Explanation> = self.tried.bands[index].iter().filter(differs).collect();
        let remains = self.remains(Some(index));
        let as_it_is = remains.misfit_of(meant);
        let (lead, lead_in_place) = if self.evidence.noise.is_moved {
            (DOUBT_LEAD_MOVED, DOUBT_LEAD_IN_PLACE_MOVED)
        } else {
            (DOUBT_LEAD, DOUBT_LEAD_IN_PLACE)
        };
        if others.iter().any(|other| remains.misfit_of(&other.change) < as_it_is + lead) {
            return true;
        }
        // What another band is accused of may be this one's mistake, and so may a band that nobody meant.
        let is_accused = |(at, belief): &(usize, &Belief)| *at != index && belief.verdict != Verdict::AsMeant;
        self.beliefs.iter().enumerate().filter(is_accused).any(|(at, belief)| {
            let mut innocent = remains.clone();
            innocent.with(&belief.change);
            if let Some(meant) = self.input.bands.get(at) {
                innocent.without(&self.evidence.change(Some(&self.input.cookbook(meant))));
            }
            let explains =
                |other: &&Explanation| innocent.misfit_of(&other.change) < as_it_is + lead_in_place;
            others.iter().any(explains)
        })
    }

    /// Whether what the captures differ by leaves room to tell a band from none.
    pub(super) fn can_be_told(&self, index: usize) -> bool {
        let meant = self.evidence.change(Some(&self.input.cookbook(&self.input.bands[index])));
        meant.power() > LEAST_POWER
    }

    /// How badly the beliefs fit, and how many mistakes they need.
    fn total(&self) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "a handful of bands")]
        let burden = MISTAKE_BURDEN * self.causes() as f64;
        self.remains(None).misfit() + burden
    }

    /// How unlikely the mistakes are before anything is heard, when noise and mistakes are to be
    /// told apart.
    pub(super) fn burden(&self) -> f64 {
        let extras = self.beliefs.iter().filter(|belief| belief.verdict == Verdict::Extra).count();
        #[expect(clippy::cast_precision_loss, reason = "a handful of bands")]
        let (causes, extras) = (self.causes() as f64, extras as f64);
        CAUSE_BURDEN * causes + EXTRA_BURDEN * extras
    }

    /// How many mistakes were made: one cause is one mistake, however many bands it has.
    fn causes(&self) -> usize {
        let by_one_cause = (0..self.beliefs.len()).filter(|&index| self.is_of_common_cause(index)).count();
        self.mistakes() - by_one_cause.saturating_sub(1)
    }

    /// Whether what became of a band follows from the cause of many.
    pub(super) fn is_of_common_cause(&self, index: usize) -> bool {
        let belief = &self.beliefs[index];
        match self.common {
            Some(Common::Definition(definition)) => {
                belief.verdict == Verdict::WrongQ && belief.typed == self.taken_by(definition, index)
            }
            Some(Common::Twice) => belief.twice,
            None => false,
        }
    }

    /// How a meant band would have been typed to sound as it does where the processor means
    /// something else by Q.
    fn taken_by(&self, definition: QDefinition, index: usize) -> Option<Band> {
        let meant = self.input.bands.get(index).filter(|meant| meant.kind == BandKind::Peak)?;
        let rate_hz = self.input.sample_rate_hz();
        let cookbook = Band { q: definition.cookbook_q(meant, rate_hz), ..*meant };
        Some(self.input.profile.map_or(cookbook, |profile| profile.typed(&cookbook)))
    }

    /// Believes that the processor means something else by Q than its profile says.
    fn take_definition(&mut self, definition: QDefinition) {
        self.common = Some(Common::Definition(definition));
        for index in 0..self.input.bands.len() {
            let Some(typed) = self.taken_by(definition, index) else { continue };
            let change = self.evidence.change(Some(&self.input.cookbook(&typed)));
            // Where the definitions agree, the band is as it was meant.
            if change.farthest_db(&self.beliefs[index].change) > 0.5 * LEAST_CHANGE_DB {
                let verdict = Verdict::WrongQ;
                self.beliefs[index] =
                    Belief { verdict, typed: Some(typed), twice: false, change, rival: None };
            }
        }
    }

    /// Believes that the whole list was entered twice.
    fn take_twice(&mut self) {
        self.common = Some(Common::Twice);
        for (index, belief) in self.beliefs.iter_mut().enumerate() {
            let twice = |tried: &&Explanation| tried.hypothesis.twice;
            if let Some(tried) = self.tried.bands[index].iter().find(twice) {
                let verdict = tried.hypothesis.verdict;
                *belief = Belief { verdict, twice: true, change: tried.change.clone(), ..belief.clone() };
            }
        }
    }

    /// Believes of each band the gain that suits the change best when all gains are
    /// chosen together; those near what was meant stay as meant.
    fn take_gains(&mut self) {
        let meant = self.input.bands.len();
        let mut heard = self.heard.clone();
        for extra in &self.beliefs[meant..] {
            heard.without(&extra.change);
        }
        let as_meant = |band: &Band| self.evidence.change(Some(&self.input.cookbook(band)));
        let changes: Vec<Change> = self.input.bands.iter().map(as_meant).collect();
        let shares = Evidence::shares(&changes, &heard);
        for (index, share) in shares.into_iter().enumerate() {
            let meant = self.input.bands[index];
            let (verdict, typed) = if (share - 1.0).abs() < 0.2 {
                (Verdict::AsMeant, Some(meant))
            } else if share.abs() < 0.2 {
                (Verdict::Missing, None)
            } else if (share + 1.0).abs() < 0.2 {
                (Verdict::WrongSign, Some(Band { gain_db: -meant.gain_db, ..meant }))
            } else {
                let gain_db = (share * meant.gain_db * 10.0).round() / 10.0;
                (Verdict::WrongGain, Some(Band { gain_db, ..meant }))
            };
            let change = self.evidence.change(typed.map(|typed| self.input.cookbook(&typed)).as_ref());
            self.beliefs[index] = Belief { verdict, typed, twice: false, change, rival: None };
        }
    }

    /// The same beside a band that nobody meant, the two found in turns.
    fn take_gains_around_an_extra(&mut self) {
        for _ in 0..3 {
            self.take_gains();
            self.beliefs.truncate(self.input.bands.len());
            if !self.explain_by_extra() {
                return;
            }
        }
        self.take_gains();
    }

    /// Takes one explanation after the other, then looks at each explained band once
    /// more in the light of the others.
    fn run(&mut self) {
        for _ in 0..self.input.bands.len() + MOST_EXTRAS {
            if !self.explain_one() && !self.explain_by_extra() {
                break;
            }
        }
        for index in 0..self.input.bands.len() {
            if self.beliefs[index].verdict != Verdict::AsMeant && !self.is_of_common_cause(index) {
                self.settle(index);
            }
        }
    }

    /// What remains of the change when all bands but one are taken out of it.
    pub(super) fn remains(&self, without: Option<usize>) -> Change {
        let mut remains = self.heard.clone();
        for (_, belief) in self.beliefs.iter().enumerate().filter(|(index, _)| Some(*index) != without) {
            remains.without(&belief.change);
        }
        remains
    }

    /// Finds the best explanation for any band that still counts as meant; whether
    /// one was good enough to be taken.
    fn explain_one(&mut self) -> bool {
        let now = self.remains(None).misfit();
        let mut best: Option<(f64, usize, usize)> = None;
        for index in 0..self.input.bands.len() {
            if self.beliefs[index].verdict != Verdict::AsMeant {
                continue;
            }
            let Some(&(total, at)) = self.explanations(index).first() else { continue };
            if best.is_none_or(|best| total < best.0) {
                best = Some((total, index, at));
            }
        }
        let Some((total, index, at)) = best else { return false };
        let changed_db = self.tried.bands[index][at].change.farthest_db(&self.beliefs[index].change);
        let (least_lead, least_db) = match (self.evidence.noise.is_moved, self.evidence.is_smoothed()) {
            (true, true) => (LEAST_LEAD_MOVED_AND_SMOOTHED, LEAST_CHANGE_MOVED_AND_SMOOTHED_DB),
            (true, false) => (LEAST_LEAD_MOVED, LEAST_CHANGE_MOVED_DB),
            (false, _) => (LEAST_LEAD, LEAST_CHANGE_DB),
        };
        if now - total < least_lead || changed_db < least_db {
            return false;
        }
        self.settle(index);
        true
    }

    /// Adds a band that nobody meant, when one explains what no meant band does.
    fn explain_by_extra(&mut self) -> bool {
        if self.beliefs.len() >= self.input.bands.len() + MOST_EXTRAS {
            return false;
        }
        let remains = self.remains(None);
        let Some((band, change)) =
            self.extra_band(&remains).filter(|(band, _)| BELIEVED_QS.contains(&band.q))
        else {
            return false;
        };
        let gained = remains.misfit() - remains.misfit_of(&change);
        let changed_db = change.db.iter().fold(0.0f64, |most, db| most.max(db.abs()));
        let (least_gain, least_db) = if self.evidence.noise.is_moved {
            (LEAST_EXTRA_GAIN_MOVED, LEAST_EXTRA_MOVED_DB)
        } else {
            (LEAST_EXTRA_GAIN, LEAST_EXTRA_DB)
        };
        if gained < least_gain || changed_db < least_db {
            return false;
        }
        let typed = Some(self.input.profile.map_or(band, |profile| profile.typed(&band)));
        self.beliefs.push(Belief { verdict: Verdict::Extra, typed, twice: false, change, rival: None });
        true
    }

    /// Every explanation for one band by its place, and what is left under it with its burden; the
    /// best first.
    fn explanations(&self, index: usize) -> Vec<(f64, usize)> {
        let remains = self.remains(Some(index));
        let left = |tried: &Explanation| remains.misfit_of(&tried.change) + tried.hypothesis.burden;
        let mut ranked: Vec<(f64, usize)> =
            self.tried.bands[index].iter().enumerate().map(|(at, tried)| (left(tried), at)).collect();
        ranked.sort_by(|one, other| one.0.total_cmp(&other.0));
        ranked
    }

    /// Settles what one band is: the best explanation, or *unclear* when another
    /// kind of mistake, which sounds different, explains it as well.
    fn settle(&mut self, index: usize) {
        let ranked = self.explanations(index);
        let tried = &self.tried.bands[index];
        let Some(&(best_total, first)) = ranked.first() else { return };
        let near: Vec<usize> = ranked
            .iter()
            .take_while(|(total, _)| total - best_total < CLEAR_LEAD)
            .map(|&(_, at)| at)
            .collect();
        let sounds_like =
            |one: usize, other: usize| tried[one].change.farthest_db(&tried[other].change) < ALIKE_DB;
        // Of those that sound the same, the likeliest slip.
        let best = near
            .iter()
            .copied()
            .filter(|&at| sounds_like(at, first))
            .min_by(|&a, &b| tried[a].hypothesis.burden.total_cmp(&tried[b].hypothesis.burden))
            .unwrap_or(first);
        let verdict = tried[best].hypothesis.verdict;
        let rival =
            near.into_iter().find(|&at| tried[at].hypothesis.verdict != verdict && !sounds_like(at, best));
        self.beliefs[index] = Belief {
            verdict: if rival.is_some() { Verdict::Unclear } else { verdict },
            typed: tried[best].hypothesis.typed,
            twice: tried[best].hypothesis.twice,
            change: tried[best].change.clone(),
            rival: rival.map(|rival| (tried[best].hypothesis, tried[rival].hypothesis)),
        };
    }

    /// The best band that nobody meant, with its gain by least squares; none where none is worth
    /// being looked at.
    fn extra_band(&self, remains: &Change) -> Option<(Band, Change)> {
        // The share of a small band that is heard says nearly how much a large one explains.
        let promise = |unit: &Change| {
            let pull = unit.dot(remains);
            pull * pull / (unit.power() + 1e-12)
        };
        let promised = self.tried.extras.iter().map(|(place, unit)| (promise(unit), *place));
        let (promised, mut place) = promised.max_by(|one, other| one.0.total_cmp(&other.0))?;
        if promised < 0.6 * LEAST_EXTRA_GAIN {
            return None;
        }
        let mut best = self.extra_at(remains, place)?;
        // Then finer around the best of the grid, until no neighbour is better.
        for step in [1.12f64, 1.04, 1.015] {
            loop {
                let (hz, q) = place;
                let around = [(hz * step.sqrt(), q), (hz / step.sqrt(), q), (hz, q * step), (hz, q / step)];
                let before = place;
                for near in around {
                    if let Some(trial) = self.extra_at(remains, near)
                        && trial.0 < best.0
                    {
                        (best, place) = (trial, near);
                    }
                }
                if place == before {
                    break;
                }
            }
        }
        let (_, band, change) = best;
        Some((band, change))
    }

    /// A peak of this place and Q with its gain by least squares, and what it leaves; `None` when
    /// it would hardly be heard.
    fn extra_at(&self, remains: &Change, (frequency_hz, q): (f64, f64)) -> Option<(f64, Band, Change)> {
        if !EXTRA_QS.contains(&q) {
            return None;
        }
        let unit = self.evidence.change(Some(&Band::peak(frequency_hz, UNIT_DB, q)));
        let gain_db = (UNIT_DB * unit.dot(remains) / (unit.power() + 1e-12)).clamp(-24.0, 24.0);
        if gain_db.abs() < LEAST_EXTRA_DB {
            return None;
        }
        let band = Band::peak(frequency_hz, gain_db, q);
        let change = self.evidence.change(Some(&band));
        Some((remains.misfit_of(&change), band, change))
    }
}
