//! What the host offers: a line for its log, and a Fourier transform.

#[cfg(target_arch = "wasm32")]
mod offered {
    #![expect(unsafe_code, reason = "functions of the host are foreign functions")]

    mod raw {
        #[link(wasm_import_module = "headrest")]
        unsafe extern "C" {
            pub(super) fn log(at: u32, length: u32);
            pub(super) fn real_fft(input: u32, n: u32, output: u32) -> u32;
        }
    }

    pub(super) fn log(line: &str) {
        // SAFETY: the host reads so many bytes from there and keeps no reference.
        unsafe { raw::log(line.as_ptr() as u32, line.len() as u32) }
    }

    pub(super) fn real_fft(input: &[f64], spectrum: &mut [[f64; 2]]) -> bool {
        // SAFETY: the host reads `input.len()` numbers and writes half as many pairs
        // and one, for which the caller has made room.
        unsafe { raw::real_fft(input.as_ptr() as u32, input.len() as u32, spectrum.as_mut_ptr() as u32) == 0 }
    }
}

/// Outside of a plugin, in a test of it, these stand for the host.
#[cfg(not(target_arch = "wasm32"))]
mod offered {
    pub(super) fn log(_: &str) {}

    pub(super) fn real_fft(_: &[f64], _: &mut [[f64; 2]]) -> bool {
        false
    }
}

/// Writes a line to the host's log. The first 64 lines of a run are kept, 200
/// characters of each.
pub fn log(line: &str) {
    offered::log(line);
}

/// The real Fourier transform X\[k\] = Σ x\[i\]·exp(−2πj·i·k/n), k = 0 … n/2, made by the
/// host: real and imaginary parts, without scaling. False for a length that is not
/// offered, which is any outside 2 … 1,048,576, and outside of a plugin.
pub fn real_fft(input: &[f64], spectrum: &mut alloc::vec::Vec<[f64; 2]>) -> bool {
    spectrum.resize(input.len() / 2 + 1, [0.0; 2]);
    offered::real_fft(input, spectrum)
}
