// Package modes finds the modes of a room in its impulse response, below about
// 200 Hz: frequency, decay time, level and phase of each, with how sure that is.
//
// The steps:
//
//  1. Find decimates the responses (linear-phase FIR) and leaves out the first
//     milliseconds after the first arrival that the filter reaches across.
//  2. A first set of damped sinusoids comes from the shift invariance of the
//     signal space of the Hankel matrices of all responses, side by side
//     (ESPRIT), over windows of several lengths.
//  3. It is the start of a maximum-likelihood fit: poles belong to the room and
//     are shared, amplitudes to the seat and the source. Poles that do not earn
//     their place in the fit are dropped, and others are put where the residual
//     shows more than noise. So the data decide how many there are.
//  4. Uncertainties come from the fit's Fisher information and the residual's
//     own density near the mode, widened by how much the mode moves when the fit
//     starts later, or ends earlier.
//  5. Poles that the data do not tell apart are reported as a group.
//  6. What was found is synthesised again and held against the response.
//
// [Follow] finds what became of the modes by a change: poles known from before
// enter the fit as what is expected of it, with a Gaussian prior.
//
// [Rigid] and [Name] set the modes against a rectangular room with rigid walls;
// [Mode.Cut] says what an equaliser's filter would make of one.
//
// Sources: R. Roy and T. Kailath, IEEE Trans. ASSP 37, 1989; Y. Hua and T. K.
// Sarkar, IEEE Trans. ASSP 38, 1990 (ESPRIT, matrix pencil); G. H. Golub and V.
// Pereyra, SIAM J. Numer. Anal. 10, 1973 (variable projection); A. Mäkivirta et
// al., J. Audio Eng. Soc. 51, 2003 (filters at modes); all from memory.
package modes
