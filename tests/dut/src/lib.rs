//! A plugin for the audio server whose response is known: the device under test of the
//! tests through a real audio path.
//!
//! | channel | filter | gain | delay | polarity |
//! | --- | --- | --- | --- | --- |
//! | left | peak of +6 dB at 1 kHz, Q 2 | 0 dB | none | normal |
//! | right | second-order high-pass at 100 Hz, Q 1/√2 | −3 dB | 96 samples | inverted |
//!
//! It speaks LADSPA 1.1: `ladspa_descriptor` hands out one table of functions. The
//! filters are those of the `biquad` crate, so that they share nothing with `dsp`.
#![expect(unsafe_code, reason = "LADSPA is an interface of C pointers")]

use std::collections::VecDeque;
use std::ffi::{c_char, c_int, c_ulong, c_void};
use std::ptr;

use biquad::{Biquad, Coefficients, DirectForm2Transposed, ToHertz, Type};

/// How much later the right channel is.
const RIGHT_DELAY: usize = 96;
/// The gain of the right channel: −3 dB, inverted.
const RIGHT_GAIN: f64 = -0.707_945_784_384_137_9;

/// LADSPA's bits of a port: input or output, and audio.
const INPUT_AUDIO: c_int = 1 | 8;
const OUTPUT_AUDIO: c_int = 2 | 8;

/// Ports: in left, in right, out left, out right.
const PORTS: usize = 4;

#[repr(C)]
struct RangeHint {
    hint: c_int,
    lower: f32,
    upper: f32,
}

/// `LADSPA_Descriptor` of `ladspa.h` 1.1, field by field.
#[repr(C)]
pub struct Descriptor {
    unique_id: c_ulong,
    label: *const c_char,
    properties: c_int,
    name: *const c_char,
    maker: *const c_char,
    copyright: *const c_char,
    port_count: c_ulong,
    port_descriptors: *const c_int,
    port_names: *const *const c_char,
    port_range_hints: *const RangeHint,
    implementation_data: *mut c_void,
    instantiate: Option<unsafe extern "C" fn(*const Descriptor, c_ulong) -> *mut c_void>,
    connect_port: Option<unsafe extern "C" fn(*mut c_void, c_ulong, *mut f32)>,
    activate: Option<unsafe extern "C" fn(*mut c_void)>,
    run: Option<unsafe extern "C" fn(*mut c_void, c_ulong)>,
    run_adding: Option<unsafe extern "C" fn(*mut c_void, c_ulong)>,
    set_run_adding_gain: Option<unsafe extern "C" fn(*mut c_void, f32)>,
    deactivate: Option<unsafe extern "C" fn(*mut c_void)>,
    cleanup: Option<unsafe extern "C" fn(*mut c_void)>,
}

struct PortNames([*const c_char; PORTS]);

// SAFETY: both tables are constant and point to constants only.
unsafe impl Sync for PortNames {}
// SAFETY: as above.
unsafe impl Sync for Descriptor {}

static PORT_DESCRIPTORS: [c_int; PORTS] = [INPUT_AUDIO, INPUT_AUDIO, OUTPUT_AUDIO, OUTPUT_AUDIO];
static PORT_NAMES: PortNames =
    PortNames([c"In left".as_ptr(), c"In right".as_ptr(), c"Out left".as_ptr(), c"Out right".as_ptr()]);
static PORT_HINTS: [RangeHint; PORTS] = [const { RangeHint { hint: 0, lower: 0.0, upper: 0.0 } }; PORTS];

static DESCRIPTOR: Descriptor = Descriptor {
    unique_id: 0x00D1_7001,
    label: c"known".as_ptr(),
    properties: 0,
    name: c"Known device under test".as_ptr(),
    maker: c"Headrest".as_ptr(),
    copyright: c"MIT OR Apache-2.0".as_ptr(),
    port_count: PORTS as c_ulong,
    port_descriptors: PORT_DESCRIPTORS.as_ptr(),
    port_names: PORT_NAMES.0.as_ptr(),
    port_range_hints: PORT_HINTS.as_ptr(),
    implementation_data: ptr::null_mut(),
    instantiate: Some(instantiate),
    connect_port: Some(connect_port),
    activate: None,
    run: Some(run),
    run_adding: None,
    set_run_adding_gain: None,
    deactivate: None,
    cleanup: Some(cleanup),
};

/// The two channels of one instance.
struct Device {
    ports: [*mut f32; PORTS],
    left: DirectForm2Transposed<f64>,
    right: DirectForm2Transposed<f64>,
    late: VecDeque<f64>,
}

impl Device {
    fn new(rate_hz: f64) -> Option<Self> {
        let design = |kind, frequency_hz: f64, q| {
            Coefficients::from_params(kind, rate_hz.hz(), frequency_hz.hz(), q)
                .map(DirectForm2Transposed::new)
        };
        Some(Self {
            ports: [ptr::null_mut(); PORTS],
            left: design(Type::PeakingEQ(6.0), 1_000.0, 2.0).ok()?,
            right: design(Type::HighPass, 100.0, std::f64::consts::FRAC_1_SQRT_2).ok()?,
            late: VecDeque::from([0.0; RIGHT_DELAY]),
        })
    }

    fn process(&mut self, left: f32, right: f32) -> (f32, f32) {
        let left = self.left.run(f64::from(left));
        self.late.push_back(RIGHT_GAIN * self.right.run(f64::from(right)));
        (left as f32, self.late.pop_front().unwrap_or(0.0) as f32)
    }
}

/// LADSPA's one entry: the table of plugin 0, and nothing behind it.
#[unsafe(no_mangle)]
pub extern "C" fn ladspa_descriptor(index: c_ulong) -> *const Descriptor {
    if index == 0 { &raw const DESCRIPTOR } else { ptr::null() }
}

unsafe extern "C" fn instantiate(_: *const Descriptor, rate_hz: c_ulong) -> *mut c_void {
    match Device::new(rate_hz as f64) {
        Some(device) => Box::into_raw(Box::new(device)).cast(),
        None => ptr::null_mut(),
    }
}

unsafe extern "C" fn connect_port(handle: *mut c_void, port: c_ulong, data: *mut f32) {
    // SAFETY: the host passes what `instantiate` gave and uses an instance from one thread only.
    let device = unsafe { &mut *handle.cast::<Device>() };
    if let Some(place) = device.ports.get_mut(port as usize) {
        *place = data;
    }
}

unsafe extern "C" fn run(handle: *mut c_void, frames: c_ulong) {
    // SAFETY: as in `connect_port`.
    let device = unsafe { &mut *handle.cast::<Device>() };
    if device.ports.iter().any(|port| port.is_null()) {
        return;
    }
    let [in_left, in_right, out_left, out_right] = device.ports;
    for n in 0..frames as usize {
        // SAFETY: the host has connected `frames` samples to every port. Inputs and outputs may be
        // the same memory, so each frame is read before it is written.
        unsafe {
            let (left, right) = device.process(*in_left.add(n), *in_right.add(n));
            *out_left.add(n) = left;
            *out_right.add(n) = right;
        }
    }
}

unsafe extern "C" fn cleanup(handle: *mut c_void) {
    // SAFETY: the host hands back what `instantiate` gave, once.
    drop(unsafe { Box::from_raw(handle.cast::<Device>()) });
}
