// Package modelroom is the room that is built in: a card (capture.Card) whose
// loudspeakers, walls and microphone are arithmetic. It is there to learn on
// and to test with, so everything that a measurement should find out about it
// can be asked for directly (Room.Truth).
//
// # The scenario
//
// A long living room that doubles as a cinema, 5.72 m by 4.15 m and 2.55 m
// high, with a carpet, a bookshelf behind the sofa and a window on the left.
// Seven loudspeakers and two subwoofers hang on a receiver that crosses over
// at 80 Hz. The front subwoofer is vented, the rear one closed and a little
// softer, and nobody has yet set their delay: there is something to find. The
// microphone droops at both ends and brings its own calibration file.
//
//	 x = 0                                        screen wall
//	        +---------------------------------+
//	        |      L         C  [F]  R        |   F: front subwoofer
//	        |                                 |
//	        |                                 |
//	window  |                                 |
//	        |                                 |
//	        |S                               S|   SL, SR: high on the side walls
//	        |         left  main  right       |   the sofa, x = 3.74 m
//	        |                                 |
//	        |                                 |
//	        |        B              B    [R]  |   R: rear subwoofer, behind BR
//	        +---------------------------------+   bookshelf
//	 x = 5.72 m
//	        y = 0, left                 y = 4.15 m, right
//
// Output channels are FL FR FC LFE BL BR SL SR. A loudspeaker's channel plays
// that loudspeaker through the receiver's high-pass and both subwoofers
// through its low-pass; LFE plays the subwoofers alone, below 120 Hz. (There
// is no extra gain on LFE.)
//
// # How it is made
//
// Below some 300 Hz the room is a sum over its modes, each with a decay time
// of its own, in closed form; above, it is the image sources of the first
// 80 ms, followed by noise that decays at a given rate in every octave. A pair
// of Linkwitz-Riley filters joins the two, as in a three-way loudspeaker.
// Loudspeakers, crossover and microphone are filters in front and behind. All
// of it is multiplied out into one finite impulse response per output channel
// and seat, which the card convolves with what it plays; then come latency,
// noise and, if asked, rounding to 24 bits.
//
// What it does not model: loudspeakers that beam, walls that scatter, doors,
// furniture in the way.
//
// # Faults
//
// Options.Faults lets things go wrong: buffers get lost, levels change, clocks
// disagree, a device fails (FaultForms lists them all). Without, the path is
// perfect. ParseFault reads them from a line such as "drop 64 at 7.5s";
// Truth.Faults says afterwards what was done, to the frame. Spoil does the same
// to any recording that is given in parts.
//
// Sources of the formulas: H. Kuttruff, Room Acoustics (modal sum; from
// memory); J. B. Allen and D. A. Berkley, JASA 65 (1979) 943 (image sources;
// from memory); speed of sound 343.2 m/s at 20 °C, ISO 9613-1:1993.
package modelroom
